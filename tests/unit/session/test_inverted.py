"""Contacts whose open level is entered the wrong way round: closings would pass for openings.

That a front end which isolates may invert its input is common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import pytest
from played import PROFILE, Played

from rig.session.diagnostics import Diagnostic, Doubt
from rig.session.session import Session
from rig.words.diagnostics import diagnostic_words


def doubts_of(entered: Literal[0, 1]) -> tuple[Played, list[Diagnostic]]:
    """The upper magneto is open at level 1, and ``entered`` in the engine file."""
    upper, *others = PROFILE.units
    played = Played()
    played.session = Session(replace(PROFILE, units=(replace(upper, open_level=entered), *others)))
    played.know_tdc().do("turn 900 at 110")
    return played, [d for d in played.session.doubts() if d.doubt is Doubt.INVERTED]


def test_contacts_that_close_where_they_should_open_are_said_to() -> None:
    """The mean was over 30 degrees wrong, with an uncertainty of a tenth and a verdict."""
    played, doubts = doubts_of(0)
    read = [r for r in played.session.readings() if r.unit == "upper" and r.valid]
    assert min(abs((r.btdc_deg or 0.0) - 36.0) for r in read) > 20.0
    (doubt,) = doubts
    unit, closes_deg, level = doubt.data
    assert (unit, level, doubt.bad) == ("upper", 0, True)
    assert closes_deg == pytest.approx(36.0, abs=2.0)
    words = diagnostic_words(doubt)
    assert "upper closes at 3" in words
    assert "open_level" in words


def test_contacts_the_right_way_round_are_not() -> None:
    assert doubts_of(1)[1] == []
