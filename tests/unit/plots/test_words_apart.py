"""No words of a drawing lie on others or beyond the paper, however close what is drawn lies."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from how_many import how_many
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from matplotlib.figure import Figure
from texts_apart import boxes, off_the_paper, overlapping

from rig.base.uncertainty import Uncertainty
from rig.history import plot as drift
from rig.history.series import History, Point, Series
from rig.plots import readings, sheet, signal, turn
from rig.plots.signal import Trace
from rig.plots.turn import Happens, Lane, Turn
from rig.signal.events import Opening
from rig.timing.values import Assessment, Reading

PHASES = [Phase.explicit, Phase.reuse, Phase.generate]
few = settings(max_examples=15, deadline=None, phases=PHASES)
many = settings(max_examples=how_many(15), deadline=None, phases=PHASES)
NAMES = st.sampled_from(["upper", "the magneto that came from the spare box"])
SETTINGS = st.sampled_from(["full advance", "full retard", "weights wedged out as the manual has"])


def clear(figure: Figure) -> None:
    words = boxes(figure)
    assert overlapping(words) == []
    assert off_the_paper(figure, words) == []


@st.composite
def turns(draw: st.DrawFn) -> Turn:
    cycle = draw(st.sampled_from([360.0, 720.0]))
    places = st.floats(0.0, cycle, exclude_max=True)
    near = st.tuples(places, st.floats(0.0, 3.0), st.integers(1, 8)).map(
        lambda of: [(of[0] + k * of[1]) % cycle for k in range(of[2])]
    )
    some = st.one_of(near, st.lists(places, max_size=12))

    def happens(words: st.SearchStrategy[str]) -> st.SearchStrategy[tuple[Happens, ...]]:
        return some.flatmap(lambda at: st.tuples(*(st.builds(Happens, st.just(a), words)
                                                   for a in at)))  # fmt: skip

    figures = st.sampled_from(["36.2", "4.0 ATDC", "127.5 ATDC", "0.0", ""])
    no_words = some.map(tuple)
    lanes = draw(st.lists(st.builds(
        Lane, NAMES, happens(figures), no_words,
        st.lists(st.just("cylinder 12: 136.16° ATDC, 14 x, closed 101°, impulse"),
                 max_size=9).map(tuple)), min_size=1, max_size=6))  # fmt: skip
    tops = draw(happens(st.sampled_from(["1", "12"])))
    others = draw(happens(st.just("1 again")))
    beside = {name: draw(no_words) for name in ("index", "piston stop")}
    return Turn(cycle, tops, others, tuple(lanes), {n: at for n, at in beside.items() if at})


def turn_is_clear(shown: Turn) -> None:
    clear(styled(lambda: turn.sheet_of("Launch engine, 20260301-090000", shown)))


def styled(make: Callable[[], Figure]) -> Figure:
    with sheet.styled():
        return make()


JUDGED = Assessment("upper", "full advance", None, "as found", "turned", 4, 36.0, 0.1, None,
                    37.0, 36.0, 35.0, "inside", "no window set", "guarded")  # fmt: skip


@st.composite
def judged(draw: st.DrawFn) -> list[Assessment]:
    found = []
    for name in draw(st.lists(NAMES, min_size=1, max_size=3, unique=True)):
        middle = draw(st.floats(-170.0, 170.0))
        window = draw(st.floats(0.01, 30.0))
        U = Uncertainty(0.05, 10.0, 2.0, draw(st.floats(0.001, 25.0)), ())
        for cylinder in draw(st.lists(st.integers(1, 18), max_size=6, unique=True)):
            mean = middle + draw(st.floats(-2.0, 2.0))
            found.append(replace(
                JUDGED, unit=name, setting=draw(SETTINGS), cylinder=cylinder, mean_btdc=mean,
                uncertainty=U, earliest_btdc=middle + window, nominal_btdc=middle,
                latest_btdc=middle - window, n=draw(st.integers(1, 400)),
                verdict=draw(st.sampled_from(["inside", "outside"])),
            ))  # fmt: skip
    return found or [JUDGED]


def readings_are_clear(shown: list[Assessment]) -> None:
    own = [Reading(j.unit, j.setting, j.cylinder, 0, (j.mean_btdc or 0.0) + 0.01, 5.0, 1.0, None)
           for j in shown]  # fmt: skip
    figure = styled(lambda: readings.sheet_of("Launch engine, 20260301-090000", shown, own))
    clear(figure)
    across = {round(abs(at.get_xlim()[1] - at.get_xlim()[0]), 6) for at in figure.axes}
    assert len(across) == 1  # all panels share a scale
    for at in figure.axes:
        assert at.yaxis.get_majorticklines()[0].get_markersize() == 0.0


@few
@given(st.floats(-179.0, 180.0), st.floats(0.001, 20.0), st.lists(st.floats(-3.0, 0.0), max_size=6),
       st.booleans())  # fmt: skip
def test_of_a_signal(btdc_deg: float, long: float, noise: list[float], known: bool) -> None:
    changes = [(0.0, True), (0.3 * long, False), (0.5 * long, True)]
    opening = Opening(1, 0.0, btdc_deg + 720.0, 1, 128.0, 90.0, None, 2, 2700.0, 748e3, 90.0)
    trace = Trace(opening, btdc_deg if known else None, changes, [-long, 0.4 * long], noise,
                  0.5 * long, 0.8 * long, 3.0)  # fmt: skip
    under = "opening 3 of x.capture: at 128° a second; valid"
    figure = styled(lambda: signal.sheet_of("upper: the contacts open", under, trace))
    clear(figure)
    assert not [text for text, _ in boxes(figure) if re.match(r"[-−–]", text)]


@st.composite
def histories(draw: st.DrawFn) -> History:
    """Certificates minutes, days or years apart, with changes noted at many of them."""
    found = []
    for name in draw(st.lists(NAMES, min_size=1, max_size=3, unique=True)):
        minutes = draw(st.sampled_from([7, 2 * 24 * 60, 400 * 24 * 60]))
        days = draw(st.lists(st.integers(0, 12), min_size=1, max_size=8, unique=True))
        middle = draw(st.floats(-170.0, 170.0))
        points = []
        for n, day in enumerate(sorted(days)):
            judged = replace(JUDGED, unit=name, mean_btdc=middle + draw(st.floats(-0.3, 0.3)),
                             earliest_btdc=middle + 1.0, nominal_btdc=middle,
                             latest_btdc=middle - 1.0)  # fmt: skip
            step = draw(
                st.sampled_from(
                    [
                        "",
                        "new points",
                        "another unit: serial 1234 for 12345",
                        "the rig was mounted anew on the other end of it",
                    ]
                )
            )
            at = datetime(2020, 2, 3, tzinfo=UTC) + timedelta(minutes=day * minutes)
            points.append(Point("Launch engine", name, "", "c", "f", "0", at.isoformat(),
                                "as found", judged, step, (), n, n, "", True))  # fmt: skip
        words = "opens 0.35 degrees later a year (U 0.12), and leaves its window in 2031; " * 2
        found.append(Series(name, draw(SETTINGS), 12, "turned", tuple(points), None, None, None,
                            words))  # fmt: skip
    return History("Launch engine", "", ("a", "b"), tuple(found), (), ())


def drift_is_clear(shown: History) -> None:
    figure = styled(lambda: drift.sheet_of(shown, shown.series))
    clear(figure)
    assert len({round(at.get_ylim()[1] - at.get_ylim()[0], 6) for at in figure.axes}) == 1
    assert len({at.get_xlim() for at in figure.axes}) == 1


@few
@given(turns())
def test_of_a_turn(shown: Turn) -> None:
    turn_is_clear(shown)


@few
@given(judged())
def test_of_readings(shown: list[Assessment]) -> None:
    readings_are_clear(shown)


@few
@given(histories())
def test_of_a_drift(shown: History) -> None:
    drift_is_clear(shown)


@pytest.mark.slow
@many
@given(turns(), judged(), histories())
def test_of_many(one: Turn, two: list[Assessment], three: History) -> None:
    turn_is_clear(one)
    readings_are_clear(two)
    drift_is_clear(three)
