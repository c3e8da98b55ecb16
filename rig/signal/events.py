"""What the signal room reports (openings and other events) and the settings it needs.

Events are plain frozen values. The settings say how the rig is mounted and when an opening is
valid.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Literal

from rig.signal.interpolate import Placing


class Reason(StrEnum):
    """Why an opening is not a reading. The value is the code in ``--json``; ``rig.words`` has the
    words. The comments name the data of its ``Rejection``, if any."""

    BACKWARDS = "backwards"
    LINES_LOST = "lines-lost"  # lines from the rig
    WRONG_COUNT = "wrong-count"  # of the edge's record, by the positions around it
    UNSEEN = "unseen"  # the rig could not watch the contacts
    NOT_COVERED = "not-covered"  # the rig had not reported whether an edge was lost
    BOUNCES_CUT = "bounces-cut"  # more bounces than the line carries
    ENCODER_JUMPED = "encoder-jumped"
    LINE_CUT = "line-cut"
    INDEX_OFF = "index-off"  # by how many counts; counts a turn
    CRANK_STILL = "crank-still"  # valid otherwise: the unit, or its lever, was moved
    JUST_CLOSED = "just-closed"  # crank held, a trembling hand closed and opened the contacts
    SHORT_APPROACH = "short-approach"  # degrees it had; degrees it needs
    TURNED_BACK = "turned-back"  # not past the furthest point before the crank turned back
    EARTHED = "earthed"  # degrees closed, degrees between openings; no data: a switch was at OFF
    STATES_NOT_MEASURED = "states-not-measured"  # slowest speed at which they are, degrees a second
    NOISE_OR_BOUNCE = "noise-or-bounce"  # noise just before it may have been its first opening
    INDEX_NEVER_MET = "index-never-met"
    RESTARTED_BEFORE_INDEX = "restarted-before-index"
    RESTARTED = "restarted"
    COUNTS_LOST = "counts-lost"  # by how many counts the next index was off
    COUNTS_UNCONFIRMED = "counts-unconfirmed"  # lost elsewhere, and no index after this one
    COUNTS_WRONG = "counts-wrong"  # counts from index to index; counts entered
    NO_INDEX = "no-index"
    NO_TDC = "no-tdc"
    TDC_MOVED = "tdc-moved"  # by how many degrees, and their U, where that is known
    INDEX_PLACE = "index-place"  # of a geared encoder: number of places; degrees apart
    LINK_ROD_TDC = "link-rod-tdc"  # cylinder
    MASTER_ROD_TDC = "master-rod-tdc"  # cylinder; cylinder whose TDC is known
    FAR_FROM_NOMINAL = "far-from-nominal"
    MOVED_AGAIN = "moved-again"  # read while adjusting, and the unit was moved again afterwards
    WITHOUT_DRAG = "without-drag"  # on the rotor, with which others of the same figure were read
    BY_HAND = "by-hand"  # what the person noted, or nothing


@dataclass(frozen=True, slots=True)
class Rejection:
    """A reason with its data, in the order given beside the reason."""

    reason: Reason
    data: tuple[float | str, ...] = ()


@dataclass(frozen=True, slots=True)
class Opening:
    """The instant at which contacts first open in the transition that ends with them staying open.

    ``crank_deg`` increases in the normal direction and is a whole number of turns at each leading
    edge of the index; None when the index was never met. ``direction`` is +1 for movement in the
    normal direction, -1 backwards, 0 when the crank stood still.
    """

    input: int
    t_us: float
    crank_deg: float | None
    direction: int
    speed_deg_s: float
    approach_deg: float  # movement in the normal direction since the last reversal
    rejection: Rejection | None  # why it is not a reading; None when it is one
    times_opened: int  # times that the contacts opened in the transition, bounces included
    transition_us: float  # from the first of these to the last
    closed_us: float  # how long the contacts had been closed before
    closed_deg: float  # crank degrees passed since they closed (NaN: not seen)
    bounce_us: float = 0.0  # the longest for which they closed again in the transition
    # What places it again once the encoder's states are measured; None where they hardly matter.
    placing: Placing | None = field(default=None, repr=False)

    @property
    def valid(self) -> bool:
        """Whether it is a reading."""
        return self.rejection is None


@dataclass(frozen=True, slots=True)
class Closing:
    """The contacts came to rest closed; the instant is their first touch in that transition."""

    input: int
    t_us: float
    crank_deg: float | None
    direction: int
    open_us: float
    open_deg: float


@dataclass(frozen=True, slots=True)
class IndexPass:
    """The leading edge of the index pulse was passed, at the place ``at_count`` of the encoder.

    ``off_counts`` is how far the count was from the one expected; ``anchored`` is true when this
    pass became the reference (the first, or the first after counts were lost).
    """

    t_us: float
    direction: int
    crank_deg: float
    off_counts: float
    anchored: bool
    at_count: float


@dataclass(frozen=True, slots=True)
class ReferenceLost:
    """Angles are not valid until the next index pass."""

    t_us: float
    rejection: Rejection


@dataclass(frozen=True, slots=True)
class Finding:
    """Something in the signal that the person should know; no angle is lost by it."""

    t_us: float
    kind: str  # "spike", "drop-out", "short opening", "index spike", ...
    input: int  # contact input, 0 the encoder
    detail: str
    open_us: float = 0.0  # the longest for which closed contacts opened, where that is the finding


JUST_BEFORE = "drop-out just before"  # ``kind`` of noise just before an opening


Event = Opening | Closing | IndexPass | ReferenceLost | Finding


@dataclass(frozen=True, slots=True)
class Now:
    """The crank at the newest position record, for display. ``crank_deg`` None: not known."""

    t_us: float
    crank_deg: float | None
    direction: Literal[1, 0, -1]
    speed_deg_s: float
    approach_deg: float
    rejection: Rejection | None  # why an opening here would not be a reading


@dataclass(frozen=True, slots=True)
class Settings:
    """Settings of an ``OpeningFinder``. Angles are degrees of crank, times microseconds.

    ``direction`` is +1 when the encoder counts up in the normal direction. ``open_levels`` gives
    the level of each contact input when its contacts are open (default 1).
    ``most_closed_deg`` is how far the crank can turn at most with the contacts of an input closed.
    ``widths_worth_counts``: unequal quadrature states are corrected once the worst of the four
    boundaries is further off than this, in counts; 0: as soon as they are surely unequal.
    ``glitches_count``: a glitch at the instant of another input's edge is an edge like any other,
    as in earlier versions.
    """

    counts_per_turn: int
    direction: int = 1
    index_level: int = 1
    encoder_turns_per_crank_turn: float = 1.0
    open_levels: Mapping[int, int] = field(default_factory=dict)
    most_closed_deg: Mapping[int, float] = field(default_factory=dict)
    closed_end_us: float = 2000.0
    longest_dropout_us: float = 1000.0
    least_open_us: float = 3000.0
    approach_deg: float = 20.0
    forgiven_deg: float = 2.0
    widths_worth_counts: float = 0.0
    glitches_count: bool = False

    @property
    def count_deg(self) -> float:
        """Crank degrees of one count."""
        return 360.0 / self.counts_per_turn / self.encoder_turns_per_crank_turn
