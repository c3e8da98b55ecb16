"""The window as a scale."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from screen_states import LOWER, UPPER

from rig.live.canvas import Box, Canvas, Ink
from rig.live.unit_panel import Columns, axis_for, draw_scale, limit_text, window_role
from rig.live.view import UnitView


def drawn(unit: UnitView, width: int = 60, rows: int = 3) -> list[str]:
    canvas = Canvas(width, rows, Ink())
    draw_scale(canvas, Box(0, 0, width, rows), unit)
    return canvas.frame().plain()


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
    unit = replace(UPPER, last_btdc=last, mean_btdc=None, readings_btdc=())
    marks = drawn(unit)[0]
    assert marks.strip() == sign
    assert marks.index(sign) == (0 if sign == "◀" else 59)


def test_a_cylinder_with_its_own_figure_stands_as_far_off_as_it_is_from_that() -> None:
    plain = UnitView("a", 1, earliest_btdc=25.5, nominal_btdc=25.0, latest_btdc=24.5,
                     last_btdc=25.2, readings_btdc=(24.8, 25.2))  # fmt: skip
    own = replace(plain, last_btdc=23.4, last_nominal_btdc=23.2, readings_btdc=(24.8, 23.4),
                  nominals_btdc=(None, 23.2))  # fmt: skip
    assert drawn(own) == drawn(plain)
    assert own.last_on_scale == pytest.approx(25.2)
    assert window_role(own, own.last_on_scale) == "inside"


def test_one_row_keeps_the_last_reading() -> None:
    (line,) = drawn(UPPER, rows=1)
    assert "▼" in line
    assert "┣" in line


def test_without_window_the_readings_still_show() -> None:
    unit = replace(UPPER, earliest_btdc=None, nominal_btdc=None, latest_btdc=None)
    marks, line, _ = drawn(unit)
    assert "▼" in marks
    assert "◆" in line
    assert "┣" not in line


def test_nothing_to_show_is_said() -> None:
    assert "no window stated" in "".join(drawn(UnitView("front", 1)))


@given(
    st.floats(-180.0, 180.0), st.floats(0.0, 20.0), st.floats(0.0, 20.0),
    st.lists(st.floats(-180.0, 180.0), max_size=8), st.integers(12, 120),
)  # fmt: skip
def test_an_axis_keeps_order(
    nominal: float, early: float, late: float, readings: list[float], width: int
) -> None:
    unit = UnitView(
        "upper", 1, earliest_btdc=nominal + early, nominal_btdc=nominal, latest_btdc=nominal - late,
        readings_btdc=tuple(readings),
    )  # fmt: skip
    axis = axis_for(unit, 3, width)
    assert axis is not None
    assert axis.early_btdc > axis.late_btdc
    window = [axis.column(a) for a in (nominal + early, nominal, nominal - late)]
    assert window == sorted(window)
    assert axis.beyond(nominal + early) == axis.beyond(nominal - late) == 0
    for angle in readings:
        assert 3 <= axis.column(angle) < 3 + width


def test_a_column_is_a_linear_place() -> None:
    axis = Columns(38.0, 34.0, start=10, width=41)
    assert [axis.column(a) for a in (38.0, 37.0, 36.0, 35.0, 34.0)] == [10, 20, 30, 40, 50]


def test_limits_are_written_short() -> None:
    assert [limit_text(a) for a in (37.0, 36.5, 36.25, -4.0, 0.0, -0.00001)] == [
        "37", "36.5", "36.25", "4 ATDC", "0", "0",
    ]  # fmt: skip
