"""Sentences about a unit, and cautions beside them, are read whole where there is room."""

from __future__ import annotations

from dataclasses import replace

import pytest
from screen_states import KEYS, RIG, UPPER

from rig.guide.advice import ARC, LIVE, PRIMARY
from rig.live.layout import render
from rig.live.view import UnitView, View
from rig.timing.values import Mark
from rig.words.assessments import MARKS

SETTLE = (
    "more readings will not help, and with U of 0.90 degrees in a window of 1.19 no reading"
    " could be accepted: the part of the uncertainty from top dead centre, now 0.07 degrees, would"
    " have to shrink to about 0.04"
)
UNDECIDED = replace(
    UPPER,
    last_words="inside",
    last_cylinder=None,
    cylinders=(),
    verdict="inconclusive",
    U_deg=0.91,
    marks=(MARKS[Mark.PAPER_MEANT],),
    settle=SETTLE,
)
BACK = replace(
    UNDECIDED, marks=(), why_not_counted="the crank went back while the contacts were closed"
)


@pytest.mark.parametrize("unit", [UNDECIDED, BACK])
def test_what_would_settle_it_and_why_are_read_whole(unit: UnitView) -> None:
    view = View(job="Pump engine", rig=RIG, units=(unit,), keys=KEYS, next="Go on.")
    lines = render(view, 80, 24).plain()
    words = {word for line in lines for word in line.split()}
    assert not [word for word in words if word.endswith("…")]
    said = " ".join((*unit.marks, unit.why_not_counted, unit.settle)).split()
    assert not [word for word in said if word not in words]


def test_short_words_leave_the_figure_large() -> None:
    view = View(job="Pump engine", rig=RIG, units=(UPPER,), keys=KEYS)
    lines = render(view, 80, 24).plain()
    assert sum("█" in line for line in lines[6:13]) == 7


def test_a_long_caution_is_read_whole_beside_one_unit() -> None:
    unread = UnitView(name="magneto", input=1, setting="fixed")
    long = "Check the rig: turn on a few turns, let it stand, open each unit by hand once."
    caution = f"{LIVE} {ARC} {PRIMARY}"
    view = View(job="Pump engine", rig=RIG, units=(unread,), keys=KEYS, next=long, caution=caution)
    lines = render(view, 80, 24).plain()
    told = " ".join(" ".join(lines).split())
    assert caution in told
    assert long in told
    two = render(replace(view, units=(unread, replace(unread, input=2))), 80, 24).plain()
    assert caution in " ".join(" ".join(two).split())
