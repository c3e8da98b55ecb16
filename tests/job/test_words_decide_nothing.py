"""Every sentence reworded: figures, verdicts and the next step stay as they are."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
from made_job import MadeJob

from rig.base.uncertainty import Source
from rig.guide.advice import due
from rig.guide.state import state_of
from rig.session.diagnostics import Doubt
from rig.signal.events import Opening, Reason
from rig.tdc.gauge_series import Slip
from rig.tdc.piston_stop import StopEnd
from rig.timing.values import Mark
from rig.words import assessments, diagnostics, tdc
from rig.words.diagnostics import reason_words

TABLES: tuple[Mapping[Any, Any], ...] = (
    diagnostics.REASONS,
    diagnostics.NOW,
    diagnostics.DOUBTS,
    assessments.SOURCES,
    assessments.MARKS,
    tdc.SLIPS,
    tdc.STOP_ENDS,
)
NOISE = "the crank went backwards, gauge, one crank turn out: run-up of top dead centre"
"""Beginnings and pieces of sentences by which something was told apart once."""


def whole_job(folder: Path) -> list[object]:
    """A job in which openings are rejected for many reasons, and all that comes of it on the way:
    readings, assessments, comparisons, doubts, and the steps that are due."""
    made = MadeJob(folder)
    found: list[object] = []

    def look() -> None:
        session = made.live.session
        found.append([opening for opening in session.openings if opening])
        found.append(session.readings())
        found.append(session.assessments())
        found.append(session.comparisons())
        found.append(session.doubts())
        found.append([each.step for each in due(state_of(made.live))])

    def do(*commands: str) -> None:
        for command in commands:
            made.do(command)
            look()

    do("turn 100 at 150", "back 60 at 90")
    made.find_tdc()
    look()
    do("turn 900 at 110", "back 90 at 60", "turn 14 at 60", "turn 700 at 110")
    made.state_stroke()
    do("turn 1450 at 110", "goto 36 at 60", "rest 1.5", "set upper", "rest 0.5")
    made.reject_last()
    do("turn 1450 at 110", "fault illegal 3", "turn 800 at 110")
    do("fault reset in 0.5", "turn 900 at 110")
    made.end()
    look()
    return found


def said(found: list[object]) -> set[Reason]:
    openings = [each for part in found if isinstance(part, list) for each in part]
    return {
        each.rejection.reason for each in openings if isinstance(each, Opening) and each.rejection
    }


def compared(found: object) -> str:
    """In full, so that angles that are not a number are equal."""
    return repr(found)


def test_words_decide_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    plain = whole_job(tmp_path / "plain")
    assert said(plain) >= {Reason.BACKWARDS, Reason.CRANK_STILL, Reason.SHORT_APPROACH}
    for table in TABLES:
        for key in table:
            noise = (lambda *_: NOISE) if callable(table[key]) else NOISE
            monkeypatch.setitem(table, key, noise)
    some = next(o for part in plain if isinstance(part, list) for o in part
                if isinstance(o, Opening) and o.rejection)  # fmt: skip
    assert reason_words(some.rejection) == NOISE
    reworded = whole_job(tmp_path / "noise")
    assert [compared(each) for each in reworded] == [compared(each) for each in plain]


@pytest.mark.parametrize(
    ("table", "members"),
    [
        (diagnostics.REASONS, Reason),
        (diagnostics.DOUBTS, Doubt),
        (assessments.SOURCES, Source),
        (assessments.MARKS, Mark),
        (tdc.SLIPS, {*Slip, None}),
        (tdc.STOP_ENDS, StopEnd),
    ],
)
def test_every_value_has_its_words(table: Mapping[Any, Any], members: Any) -> None:
    assert set(table) == set(members)
