"""The window as a scale."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from screen_states import EMPTY, LOWER, UPPER, made

from rig.engine.profile import Setting, Window
from rig.live.text import Pen
from rig.live.unit_panel import Columns, axis_for, draw_scale, reading_role
from rig.live.view import UnitView
from rig.plots.axis import limit_text


def drawn(unit: UnitView, width: int = 60) -> list[str]:
    return [line.plain for line in draw_scale(Pen(), width, unit)]


def test_earlier_is_first_and_limits_stand_in_order() -> None:
    marks, line, figures = drawn(UPPER)
    assert line.index("┣") < line.index("◆") < line.index("┿") < line.index("┫")
    assert figures.index("37") < figures.index("36") < figures.index("35")
    assert figures.startswith("early")
    assert figures.rstrip().endswith("late")
    assert marks.count("▼") == 1


def test_a_late_reading_stands_beyond_the_latest_limit() -> None:
    marks, line, _ = drawn(LOWER)
    assert marks.index("▼") > line.index("┫")
    assert line.index("◆") > line.index("┫")


@pytest.mark.parametrize(("last", "sign"), [(170.0, "◀"), (-170.0, "▶")])
def test_far_readings_point_outwards(last: float, sign: str) -> None:
    marks = drawn(made("upper", 1, (last,)))[0]
    assert marks.strip() == sign
    assert marks.index(sign) == (0 if sign == "◀" else 59)


def test_a_cylinder_with_its_own_figure_stands_as_far_off_as_it_is_from_that() -> None:
    window = Window(25.5, 25.0, 24.5, "plate")
    own = {1: Window(23.7, 23.2, 22.7, "plate")}
    plain = made("a", 1, (25.2,), Setting("fixed", window))
    compensated = made("a", 1, (23.4,), Setting("fixed", window, per_cylinder=own))
    assert drawn(compensated)[0] == drawn(plain)[0]
    assert compensated.last is not None
    assert compensated.on_scale(compensated.last) == pytest.approx(25.2)
    assert reading_role(compensated, compensated.last) == "inside"


def test_without_window_the_readings_still_show() -> None:
    marks, line, _ = drawn(made("upper", 1, (36.2, 36.3, 36.1), Setting("fixed", None)))
    assert "▼" in marks
    assert "◆" in line
    assert "┣" not in line


def test_nothing_to_show_is_said() -> None:
    bare = replace(EMPTY, setting=Setting("fixed", None))
    assert "no window set" in "".join(drawn(bare))


@given(
    st.floats(-170.0, 170.0), st.floats(0.0, 20.0), st.floats(0.0, 20.0),
    st.lists(st.floats(-180.0, 180.0), max_size=8), st.integers(24, 120),
)  # fmt: skip
def test_a_scale_keeps_its_width_while_readings_come_in(
    nominal: float, early: float, late: float, readings: list[float], width: int
) -> None:
    window = Window(nominal + early, nominal, nominal - late, "plate")
    setting = Setting("fixed", window)
    axis = axis_for(made("upper", 1, (), setting), width)
    assert axis is not None
    assert axis.early_btdc > axis.late_btdc
    places = [axis.column(a) for a in (nominal + early, nominal, nominal - late)]
    assert places == sorted(places)
    assert axis.beyond(nominal + early) == axis.beyond(nominal - late) == 0
    for n in range(len(readings)):
        assert axis_for(made("upper", 1, readings[: n + 1], setting), width) == axis
    for angle in readings:
        assert 0 <= axis.column(angle) < width


def test_a_column_is_a_linear_place() -> None:
    axis = Columns(38.0, 34.0, width=41)
    assert [axis.column(a) for a in (38.0, 37.0, 36.0, 35.0, 34.0)] == [0, 10, 20, 30, 40]


def test_limits_are_written_short() -> None:
    assert [limit_text(a) for a in (37.0, 36.5, 36.25, -4.0, 0.0, -0.00001)] == [
        "37", "36.5", "36.25", "4 ATDC", "0", "0",
    ]  # fmt: skip
