"""At 80x24 and above nothing that matters is cut: NEXT and its reason, warnings, why an opening is
rejected, names of units, phases, verdicts and comparisons."""

from __future__ import annotations

import itertools
from dataclasses import replace
from typing import Literal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from nothing_cut import SIZES, assert_nothing_cut, joined
from sample_engines import single, unit
from screen_states import BOTH, DOUBTFUL, EARLY, IMPULSE, KEYS, LOWER, READING, STATES, UPPER

from rig.base.uncertainty import Source
from rig.engine.profile import Profile
from rig.guide.advice import ROWS, advice, closing_list, due, with_hazards
from rig.guide.procedure import Advice, Panel, PanelLine
from rig.guide.state import CHECK_BAD, Inconclusive, JobState, OtherSetting, Outside, Waiting
from rig.live.layout import render
from rig.live.view import UnitView
from rig.signal.events import Reason, Rejection
from rig.timing.values import PHASES, Mark, Phase
from rig.timing.verdict import Remedy
from rig.words.assessments import MARKS, SHORT_MARKS
from rig.words.diagnostics import now_words, reason_words

LONGEST = "sixteen letters!"


@pytest.mark.parametrize("name", sorted(set(STATES) - {"asked", "typed", "page", "nameless"}))
@pytest.mark.parametrize("size", SIZES)
def test_every_state(name: str, size: tuple[int, int]) -> None:
    assert_nothing_cut(STATES[name], size)


NAMED = JobState(
    magneto=True, coil_set=True, rig_bad=True, tdc_moved=True,
    one_turn_out=(LONGEST,), automatic_advance=(LONGEST,), without_drag=(LONGEST,),
    impulse=(Waiting(LONGEST, "full advance", 3),), unread=(Waiting(LONGEST, "full advance", 3),),
    inconclusive=(Inconclusive(LONGEST, 9, Remedy(30)),), set_only=(LONGEST,),
    outside=(Outside(LONGEST, LONGEST),), apart=(LONGEST,),
    other_settings=(OtherSetting(LONGEST, "full advance", 2),),
    change_made=True,
)  # fmt: skip


def _propeller_engine() -> Profile:
    """With the most warnings: a magneto, a coil set and a propeller."""
    made = single(unit())
    kinds: tuple[Literal["magneto", "coil"], ...] = ("magneto", "coil")
    units = tuple(replace(made.units[0], ignition=kind) for kind in kinds)
    return replace(made, engine=replace(made.engine, seen_from="propeller end"), units=units)


PROPELLER_ENGINE = _propeller_engine()


def advices() -> list[Advice]:
    """Each step of the advice, in the words that it has in each of several states."""
    states = [
        NAMED,
        replace(NAMED, rig="lost"),
        replace(NAMED, rig="heard", index_seen=True, tdc_known=True),
        replace(NAMED, rig="heard", index_seen=True, tdc_known=True, stroke="lost"),
        replace(NAMED, rig="heard", index_seen=True, stroke="stated", outside=()),
        *(replace(NAMED, rig="heard", index_seen=True, stop_in=True, touches=touches)
          for touches in ((0, 0), (1, 0), (2, 2), (3, 3))),
        replace(NAMED, gauge_points=4),
        replace(NAMED, entered=frozenset({CHECK_BAD})),
        replace(NAMED, tdc_known=True, stop_in=True, touches=(3, 3)),
        replace(NAMED, index_places=3),
        replace(NAMED, saved=True),
        *(replace(NAMED, inconclusive=(Inconclusive(LONGEST, 9, each),))
          for each in (Remedy(), *(Remedy(largest=source) for source in Source),
                       Remedy(shrink=Source.TDC), Remedy(shrink=Source.BACKLASH))),
        JobState(magneto=False, coil_set=True),
    ]  # fmt: skip
    found = dict.fromkeys(itertools.chain.from_iterable(map(due, states)))
    return [with_hazards(each, PROPELLER_ENGINE) for each in found]


def test_each_step_of_the_advice_is_among_them() -> None:
    assert {each.step for each in advices()} == {row.step for row in ROWS}


@pytest.mark.parametrize("size", SIZES)
def test_every_piece_of_advice(size: tuple[int, int]) -> None:
    for do in advices():
        for units in ((UPPER, LOWER), (UPPER,), (UPPER, DOUBTFUL, IMPULSE)):
            view = replace(
                READING, units=units, next=do.next, why=do.why, warning=do.warning,
                caution=do.caution, then=", then press backspace" if do.press else "", message="",
                rig=STATES["lost" if do.step == "rig lost" else "reading"].rig,
            )  # fmt: skip
            assert_nothing_cut(view, size)


@pytest.mark.parametrize("size", SIZES)
def test_the_whole_closing_list(size: tuple[int, int]) -> None:
    """The longest, with the most warnings and with what was left from before."""
    state = JobState(coil_set=True, saved=True, wedge_in=True, drag_held=True)
    do, items = with_hazards(advice(state), PROPELLER_ENGINE), enumerate(closing_list(state), 1)
    lines = tuple(PanelLine(f"{n}", words) for n, words in items)
    view = replace(
        READING, step="saved", panel=Panel("closing list", lines=lines), next=do.next, why=do.why,
        warning=do.warning, then=": press q", message="Saved: certificates/2024-05-04-upper-01",
        keys=KEYS[-1:],
    )  # fmt: skip
    assert_nothing_cut(view, size)


LIVE_WARNING = with_hazards(Advice("", "", ""), PROPELLER_ENGINE).warning

DATA: dict[Reason, tuple[float | str, ...]] = {
    Reason.SHORT_APPROACH: (14.2, 20.0),
    Reason.STATES_NOT_MEASURED: (13.7,),
    Reason.INDEX_OFF: (1234, 40000),
    Reason.COUNTS_LOST: (1234,),
    Reason.COUNTS_WRONG: (40001, 40000),
    Reason.TDC_MOVED: (1.25, 0.31),
    Reason.INDEX_PLACE: (3, 120.0),
    Reason.LINK_ROD_TDC: (9,),
    Reason.MASTER_ROD_TDC: (9, 5),
}


@pytest.mark.parametrize("reason", list(Reason))
@pytest.mark.parametrize("size", SIZES)
def test_every_reason(reason: Reason, size: tuple[int, int]) -> None:
    rejection = Rejection(reason, DATA.get(reason, ()))
    units = tuple(
        replace(named(unit, LONGEST), why_rejected=reason_words(rejection), rejected=1,
                last_valid=False)
        for unit in (UPPER, LOWER)
    )  # fmt: skip
    now = now_words(rejection)
    view = replace(
        READING, units=units, message="", crank=replace(READING.crank, why_not=now),
        comparisons=((replace(BOTH, first=LONGEST, second=LONGEST),),),
    )  # fmt: skip
    assert_nothing_cut(view, size)
    lines = render(view, *size).plain()
    row = next(n for n, line in enumerate(lines) if "NOT VALID" in line)
    column = lines[row].index("NOT VALID")
    rest = lines[row : 5 if size[0] < 120 else 9]
    text = " ".join(line[column:].partition("│")[0] for line in rest)
    assert now in " ".join(text.split())


def named(unit: UnitView, name: str) -> UnitView:
    return replace(unit, unit=replace(unit.unit, name=name))


NAMES = st.text(
    st.characters(min_codepoint=33, max_codepoint=0x17F, categories=("L", "N", "P")),
    min_size=1, max_size=16,
)  # fmt: skip


@given(NAMES, NAMES, st.sampled_from(PHASES), st.sampled_from(SIZES), st.integers(1, 4))
@settings(deadline=None, max_examples=60)
def test_names_and_phases(
    one: str, other: str, phase: Phase, size: tuple[int, int], units: int
) -> None:
    shown = [named(UPPER, one), named(EARLY, other), named(DOUBTFUL, one), named(IMPULSE, other)]
    view = replace(
        READING,
        units=tuple(replace(unit, phase=phase) for unit in shown[:units]),
        comparisons=((replace(BOTH, first=one, second=other),),),
        keys=KEYS,
    )  # fmt: skip
    assert_nothing_cut(view, size)


@pytest.mark.parametrize("cylinders", [(2,), (2, 3), tuple(range(2, 10))])
@pytest.mark.parametrize("size", SIZES)
def test_whose_the_verdict_is(cylinders: tuple[int, ...], size: tuple[int, int]) -> None:
    verdict = replace(DOUBTFUL.verdict, cylinders=cylinders)
    view = replace(READING, units=(UPPER, replace(DOUBTFUL, verdict=verdict)))
    text = joined(render(view, *size).plain())
    wanted = {1: "cylinder 2", 2: "cylinders 2 and 3", 8: "8 cylinders"}[len(cylinders)]
    assert f"as found, {wanted}" in text


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("unit", [UPPER, DOUBTFUL, EARLY], ids=["inside", "inconclusive", "early"])
def test_every_mark_of_a_figure(unit: UnitView, size: tuple[int, int]) -> None:
    for marks in [(mark,) for mark in Mark] + [(Mark.DRAG_HELD, Mark.PAPER_MEANT)]:
        for units in ((marked(unit, marks),), (marked(unit, marks), LOWER))[: 3 - len(marks)]:
            text = joined(render(replace(READING, units=units), *size).plain())
            assert all(MARKS[mark] in text for mark in marks), (marks, len(units))


def marked(unit: UnitView, marks: tuple[Mark, ...], not_own_tdc: tuple[int, ...] = ()) -> UnitView:
    assert unit.whole is not None
    return replace(unit, whole=replace(unit.whole, marks=marks), not_own_tdc=not_own_tdc)


@given(
    st.lists(st.lists(st.sampled_from(Mark), unique=True, max_size=7), min_size=1, max_size=4),
    st.sampled_from([(), (3,), (2, 3, 4, 5, 6, 7, 8, 9)]),
    st.sampled_from(SIZES),
)
@settings(deadline=None, max_examples=40)
def test_no_mark_is_lost(
    marks: list[list[Mark]], not_own_tdc: tuple[int, ...], size: tuple[int, int]
) -> None:
    """In words or in short; their number may take their place with three units or more, or with
    more than three marks."""
    units = tuple(
        named(marked(of, tuple(own), not_own_tdc), f"unit {n}")
        for n, (of, own) in enumerate(zip((UPPER, DOUBTFUL, EARLY, LOWER), marks, strict=False))
    )
    warning = READING.warning if len(units) > 2 else LIVE_WARNING
    lines = render(replace(READING, units=units, warning=warning), *size).plain()
    starts = [n for n, line in enumerate(lines) for unit in units if f" {unit.unit.name} " in line]
    for n, own in zip(starts, marks, strict=False):
        rest = joined(lines[n : min([s for s in starts if s > n], default=len(lines))])
        names = [(MARKS[mark], SHORT_MARKS[mark]) for mark in own]
        if not_own_tdc:
            names.append((f"not from {'its' if len(not_own_tdc) == 1 else 'their'} own TDC",
                          "not own TDC"))  # fmt: skip
        many = len(units) > 2 or len(names) > 3
        is_counted = many and f"{len(names)} mark" in rest
        assert is_counted or all(one in rest or other in rest for one, other in names), rest
