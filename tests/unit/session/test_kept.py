"""What is kept one by one is bounded, and what is left out is counted and said."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from played import PROFILE

from rig.session import kept
from rig.session.diagnostics import Diagnostic, Doubt
from rig.session.kept import OpeningLog, PassLog
from rig.session.session import Session
from rig.signal.events import IndexPass, Opening, Reason, Rejection
from rig.virtual.rig import run
from rig.wire.reader import LineReader
from rig.words.diagnostics import diagnostic_words

VALID, OTHERS = 12, 4
DATA = run(["turn 4000 at 150", "back 700 at 90", "turn 1500 at 150"], PROFILE, 4).data


@pytest.fixture(autouse=True)
def _few(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kept, "MOST_VALID", VALID)
    monkeypatch.setattr(kept, "MOST_OTHERS", OTHERS)


def opening(number: int, t_us: float, why: Reason | None = None) -> Opening:
    rejection = Rejection(why) if why else None
    return Opening(number, t_us, 1.0, 1, 60.0, 30.0, rejection, 1, 0.0, 1e5, 90.0)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(
        st.tuples(st.integers(1, 2), st.sampled_from([None, None, *list(Reason)[:4]])), max_size=400
    )
)
def test_nothing_vanishes_and_the_first_and_the_latest_stay(
    come: list[tuple[int, Reason | None]],
) -> None:
    log, all_of = (
        OpeningLog(),
        [opening(which, float(n), why) for n, (which, why) in enumerate(come)],
    )
    mirror: list[Opening] = []
    for each in all_of:
        mirror.append(each)
        trimmed = log.add(each)
        if trimmed is not None:
            stays, gone = trimmed
            assert [m for m, stayed in zip(mirror, stays, strict=True) if not stayed] == gone
            mirror = [m for m, stayed in zip(mirror, stays, strict=True) if stayed]
    assert log.kept == mirror
    for which in (1, 2):
        own = [o for o in all_of if o.input == which]
        valid, others = [o for o in own if o.valid], [o for o in own if not o.valid]
        stayed = list(log.of(which))
        assert stayed == [o for o in log.kept if o.input == which]
        assert log.n[which] == len(own) == len(stayed) + sum(log.left_out.get(which, {}).values())
        assert len([o for o in stayed if o.valid]) <= VALID
        assert len([o for o in stayed if not o.valid]) <= OTHERS
        assert [o for o in stayed if o.valid][: VALID // 2] == valid[: VALID // 2]
        assert set(valid[-VALID // 4 :]) | set(others[-OTHERS // 2 :]) <= set(stayed)
        left = Counter(o.rejection for o in own) - Counter(o.rejection for o in stayed)
        told = {why and Rejection(why): n for why, n in log.left_out.get(which, {}).items()}
        assert told == left


@given(st.lists(st.sampled_from([1, 1, 1, -1]), max_size=300), st.data())
def test_turns_by_the_index_are_those_of_all_passes(ways: list[int], data: st.DataObject) -> None:
    log = PassLog()
    for n, way in enumerate(ways):
        log.add(IndexPass(float(n), way, 0.0, 0.0, False, 0.0))
    upto = data.draw(st.integers(max(len(ways) - kept.MOST_PASSES, 0), max(len(ways), 0)))
    assert log.net(upto - 0.5) == sum(ways[:upto])


def fed(piece: int) -> Session:
    lines, session = LineReader(), Session(PROFILE)
    for at in range(0, len(DATA), piece):
        for batch in lines.feed(DATA[at : at + piece]):
            session.take(batch)
    for batch in lines.finish():
        session.take(batch)
    session.finish()
    return session


def figures(session: Session) -> tuple[object, ...]:
    return repr(session.openings), session.left_out, session.doubts(over=True), session.readings()


def test_a_session_keeps_so_many_and_says_so_however_it_is_cut(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    whole = fed(len(DATA))
    assert all(figures(fed(piece)) == figures(whole) for piece in (997, 30_011))
    assert len(whole.openings) <= 2 * (VALID + OTHERS)
    left = {which: sum(whys.values()) for which, whys in whole.left_out.items()}
    said = [diagnostic_words(doubt) for doubt in whole.doubts(over=True)]
    for unit in PROFILE.units:
        (words,) = (
            w for w in said if w.startswith(f"{unit.name}: contact input {unit.input} open")
        )
        valid = whole.left_out[unit.input].get(None, 0)
        assert f"{valid} readings between the first" in words
    monkeypatch.undo()
    every = fed(len(DATA))
    assert not every.left_out
    assert len(every.openings) == len(whole.openings) + sum(left.values())
    assert whole.readings() == [r for r in every.readings() if r in whole.readings()]


def test_at_rest_and_left_out_is_still_at_rest(monkeypatch: pytest.MonkeyPatch) -> None:
    """The count of openings at rest is that of all of them."""

    def said(session: Session) -> list[Diagnostic]:
        return [each for each in session.doubts() if each.doubt is Doubt.OPENED_AT_REST]

    def session() -> Session:
        found = Session(PROFILE)
        for n in range(35):
            found.opened(replace(opening(1, 1e6 * n, Reason.CRANK_STILL), direction=0))
        return found

    few = session()
    assert len(few.openings) <= OTHERS
    monkeypatch.undo()
    assert said(few) == said(session()) != []
