"""Rules that have changed, by the versions of the program that had them.

A certificate is computed again by the rules of the version that made it, so a mended rule never
makes an honest one look altered. A rule that changes is added here.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from enum import Enum, auto
from types import MappingProxyType


class EarlierRule(Enum):
    """A rule by which earlier versions of the program read a capture."""

    MEAN_SPANS_MOVES = auto()  # of several moves while adjusting, all make one mean
    EARTHED_READ = auto()  # an opening counts though a switch may have made it
    STATES_NOT_MEASURED = auto()  # an opening counts before a coarse encoder's states are measured
    UNIT_AS_FOUND = auto()  # of a unit on the bench, what rejects an opening later is not known
    TOUCHES_TRUSTED = auto()  # TDC counts though counts were lost while it was found
    TOUCHES_AS_EVEN = auto()  # a touch is placed as if a coarse encoder's states were equal
    GAPS_GOOD = auto()  # a rig check says nothing about lines that are missing
    INDEX_TRUSTED = auto()  # an angle counts that no second index pass confirms
    ENTERED_AS_NORMAL = auto()  # of a TDC set by hand, U is 1.96 times its standard uncertainty
    LINK_ROD_AS_MASTER = auto()  # a TDC touched on a link rod is as sure as one on the master's
    LINK_ROD_GAUGE_AS_MASTER = auto()  # the same of one by equal drops of a dial gauge
    STOP_PASSED = auto()  # TDC from what is left of touches that the crank went past
    HELD_TO_A_QUARTER = auto()  # a held crank is known to 0.25 degrees on any encoder
    GLITCHES_COUNT = auto()  # a glitch at the instant of another edge is an edge like any other
    TWO_AS_FACTOR = auto()  # a prediction is confirmed with k = 2, however few the readings
    SMALL_CHANGE_PASSES = auto()  # a small change is not missed, however far off it is read
    GAP_BEYOND_LIMITS = auto()  # a contact gap beyond its limits is adjusted, but not within them
    ASKED_AS_IT_STANDS = auto()  # travel entered at the bench is as it was, whatever moved since
    LEVER_MOVES_ALL = auto()  # setting a lever moves what is read at each place of it
    OFFSET_LEFT_OPEN = auto()  # a limit of 0 for a cylinder's offset counts as none entered
    DRAG_OF_ONE_HALF = auto()  # backlash drops out of halves of which one was read with a drag
    LOBES_AS_ONE = auto()  # lobes that take turns at a cylinder are taken for a unit that moves
    TRIP_BEFORE_RELEASE = auto()  # an opening before its coupling's release may be a trip
    MARK_WITHOUT_COUNT = auto()  # the crank at an engine's mark is known more finely than a count
    GAUGE_AGAIN_AS_ENTERED = auto()  # gauge points taken again scatter only as entered, k = 2
    STROKE_BEFORE_RESTART = auto()  # firing TDC first entered after a restart counts before it


Rules = Collection[EarlierRule]

_UNTIL_0_6 = frozenset(
    {
        EarlierRule.UNIT_AS_FOUND,
        EarlierRule.TOUCHES_TRUSTED,
        EarlierRule.TOUCHES_AS_EVEN,
        EarlierRule.LINK_ROD_GAUGE_AS_MASTER,
        EarlierRule.HELD_TO_A_QUARTER,
        EarlierRule.GLITCHES_COUNT,
        EarlierRule.LOBES_AS_ONE,
        EarlierRule.TWO_AS_FACTOR,
        EarlierRule.MARK_WITHOUT_COUNT,
        EarlierRule.GAUGE_AGAIN_AS_ENTERED,
        EarlierRule.SMALL_CHANGE_PASSES,
        EarlierRule.GAP_BEYOND_LIMITS,
        EarlierRule.ASKED_AS_IT_STANDS,
        EarlierRule.LEVER_MOVES_ALL,
        EarlierRule.DRAG_OF_ONE_HALF,
        EarlierRule.TRIP_BEFORE_RELEASE,
    }
)
_UNTIL_0_5 = _UNTIL_0_6 | {
    EarlierRule.EARTHED_READ,
    EarlierRule.STATES_NOT_MEASURED,
    EarlierRule.GAPS_GOOD,
    EarlierRule.INDEX_TRUSTED,
    EarlierRule.ENTERED_AS_NORMAL,
    EarlierRule.LINK_ROD_AS_MASTER,
    EarlierRule.STOP_PASSED,
    EarlierRule.OFFSET_LEFT_OPEN,
}
_UNTIL_0_4 = _UNTIL_0_5 | {EarlierRule.STROKE_BEFORE_RESTART}
_UNTIL_0_3 = _UNTIL_0_4 | {EarlierRule.MEAN_SPANS_MOVES}
EARLIER_RULES: Mapping[str, frozenset[EarlierRule]] = MappingProxyType(
    {
        "0.1.0": _UNTIL_0_3,
        "0.2.0": _UNTIL_0_3,
        "0.3.0": _UNTIL_0_3,
        "0.4.0": _UNTIL_0_4,
        "0.5.0": _UNTIL_0_5,
        "0.6.0": _UNTIL_0_6,
    }
)
"""Version of the program -> its rules that have changed since: so its certificates verify."""
