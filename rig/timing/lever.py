"""The range of a lever: read at both ends, each against its window, and what is left either side.

How late full retard may be is judged against the figure stated for this engine only; there is no
built-in one. The ends are compared with one another, so that the shared reference drops out of
the range (JCGM 100:2008, 5.2).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rig.engine.uncertainty import Uncertainty, combine
from rig.faults import InputError
from rig.timing.budget import TOP_DEAD_CENTRE
from rig.timing.circular import wrap
from rig.timing.correction.plan import LeverEnds
from rig.timing.judge import size_in_words, unit_figure
from rig.timing.results import PHASES, Judgement

ADVANCE, RETARD = "full advance", "full retard"
NO_LIMIT = "no limit is stated for this engine: enter the maker's figure in the engine file"


@dataclass(frozen=True, slots=True)
class Position:
    """One lever position: what was read there and how it stands to its window."""

    setting: str
    btdc_deg: float
    judgement: Judgement
    words: str


@dataclass(frozen=True, slots=True)
class LeverRange:
    """A lever's range in crank degrees, with what is left of it around a wanted figure.

    ``left_earlier_deg`` is how much more advance the lever has beyond the wanted figure,
    ``left_later_deg`` how much retard; negative when the figure lies outside the range.
    ``place`` is where the figure lies, 0 at full retard, 1 at full advance.
    """

    unit: str
    positions: tuple[Position, ...]  # earliest first
    advance: Position
    retard: Position
    range_deg: float
    uncertainty: Uncertainty | None
    wanted_btdc: float | None
    left_earlier_deg: float | None
    left_later_deg: float | None
    place: float | None
    latest_words: str  # full retard against the latest stated for this engine
    words: str
    warnings: tuple[str, ...] = ()

    @property
    def ends(self) -> LeverEnds:
        """Both ends as a correction takes them. Source: the readings."""
        return LeverEnds(self.unit, self.retard.btdc_deg, self.advance.btdc_deg)


def lever_range(
    judgements: Sequence[Judgement],
    unit: str,
    settings: Sequence[str],
    wanted_btdc: float | None = None,
) -> LeverRange:
    """The range of ``unit`` over its ``settings``, from turned readings.

    How it stands last goes before how it was found. Ends are the settings called "full advance" and
    "full retard" where both were read, else the earliest and the latest. ``wanted_btdc`` is the
    nominal figure of full advance when not given. Raises InputError when fewer than two settings
    were read. Source: subtraction; JCGM 100:2008, 5.1.2 and 5.2.
    """
    read = [p for name in settings if (p := _position(judgements, unit, name)) is not None]
    if len(read) < 2:
        have = ", ".join(p.setting for p in read) or "none"
        raise InputError(
            f"{unit}: a range needs readings at two lever positions, read so far: {have}"
        )
    by_name = {p.setting: p for p in read}
    read.sort(key=lambda p: p.btdc_deg, reverse=True)
    named = ADVANCE in by_name and RETARD in by_name
    advance = by_name[ADVANCE] if named else read[0]
    retard = by_name[RETARD] if named else read[-1]
    range_deg = advance.btdc_deg - retard.btdc_deg
    if wanted_btdc is None:
        wanted_btdc = advance.judgement.nominal_btdc
    warnings = []
    if range_deg < 0.0:
        warnings.append(f"{ADVANCE} was read later than {RETARD}: are the two mixed up?")
    earlier = later = place = None
    if wanted_btdc is not None:
        earlier, later = advance.btdc_deg - wanted_btdc, wanted_btdc - retard.btdc_deg
        place = later / range_deg if range_deg > 0.0 else None
    uncertainty = _range_uncertainty(advance.judgement, retard.judgement)
    return LeverRange(
        unit=unit,
        positions=tuple(read),
        advance=advance,
        retard=retard,
        range_deg=range_deg,
        uncertainty=uncertainty,
        wanted_btdc=wanted_btdc,
        left_earlier_deg=earlier,
        left_later_deg=later,
        place=place,
        latest_words=_latest(retard),
        words=_words(
            unit, range_deg, uncertainty, wanted_btdc=wanted_btdc, earlier=earlier, later=later
        ),
        warnings=tuple(warnings),
    )


def _position(judgements: Sequence[Judgement], unit: str, setting: str) -> Position | None:
    for phase in reversed(PHASES):
        found = unit_figure(judgements, unit, setting, phase)
        if found is not None and found.mean_btdc is not None:
            return Position(setting, found.mean_btdc, found, found.words)
        if found is not None and found.groups:  # how it was found before is no longer so
            return None
    return None


def _range_uncertainty(one: Judgement, two: Judgement) -> Uncertainty | None:
    if one.uncertainty is None or two.uncertainty is None:
        return None
    parts = [*one.uncertainty.parts, *two.uncertainty.parts]
    return combine([part for part in parts if part.name != TOP_DEAD_CENTRE])


def _latest(retard: Position) -> str:
    latest = retard.judgement.latest_btdc
    if latest is None:
        return NO_LIMIT
    over = wrap(latest - retard.btdc_deg)
    size = size_in_words(over, retard.judgement.uncertainty)
    if over > 0.0:
        return f"{retard.setting} opens {size} degrees later than the latest stated"
    return f"{retard.setting} opens {size} degrees earlier than the latest stated"


def _words(
    unit: str,
    range_deg: float,
    uncertainty: Uncertainty | None,
    *,
    wanted_btdc: float | None,
    earlier: float | None,
    later: float | None,
) -> str:
    text = f"{unit}: the lever moves the opening by {size_in_words(range_deg, uncertainty)} degrees"
    if wanted_btdc is None or earlier is None or later is None:
        return text
    if earlier < 0.0 or later < 0.0:
        short = -min(earlier, later)
        side = "late" if earlier < 0.0 else "early"
        missing = size_in_words(short, uncertainty)
        return (
            f"{text}; it does not reach {wanted_btdc:g} BTDC, {missing} degrees too {side} for it"
        )
    return (
        f"{text}; of it {size_in_words(earlier, uncertainty)} are left towards advance and "
        f"{size_in_words(later, uncertainty)} towards retard of {wanted_btdc:g} BTDC"
    )
