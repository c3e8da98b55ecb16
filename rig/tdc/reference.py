"""The TDC reference: where TDC of a cylinder is, counted from the index pulse.

With a piston stop the crank is turned gently to the stop from both sides; TDC is the middle of the
arc that the stop blocks. A cylinder offset shifts that middle slightly: it is corrected if the
offset is entered, and part of the uncertainty if not. Dividing the circle between two equal
positions is an old method (Ahrons, Steam Locomotive Construction and Maintenance).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Annotated, Literal

from rig.base.angles import modulo, wrap
from rig.base.codec import number, whole
from rig.base.earlier_rules import EarlierRule, Rules
from rig.base.errors import InputError
from rig.base.uncertainty import (
    Contribution,
    Source,
    Text,
    Uncertainty,
    combine,
    rectangular,
    sure_within,
)
from rig.engine.geometry import stop_bias_deg, stop_travel_mm
from rig.engine.profile import Geometry

# Half-width assumed for an offset that is not entered, in throws: with a throw of 50 mm the piston
# pin's line is within 5 mm of the crank's axis (common practice, no source).
USUAL_OFFSET = 0.1
# The same for a piston on a link rod, whose pin swings beside the crank pin: about as much as the
# link pin is from the crank pin, in throws (worked out from the linkage; no source).
LINK_ROD_OFFSET = 1.0
# Assumed for a crank that is not entered: a short rod, the worst case for the bias (common
# practice, no source).
USUAL_CRANK = Geometry(throw_mm=1.0, rod_mm=3.2)
# TDC found again is sharp enough to show a slip that matters with a U up to this many times that of
# the reference, and between these limits in any case, degrees (common practice, no source).
SHARP, ALWAYS_SHARP_DEG, NEVER_SHARP_DEG = 2.0, 0.1, 0.4
SINGLE_TOUCH_DEG = 0.3  # half-width assumed for a single touch (common practice, no source)


class Method(StrEnum):
    """How TDC was found. The value is its code in files."""

    STOP = "stop"
    EQUAL_DROPS = "gauge, equal drops"
    FIT = "gauge, fit"
    MARK = "mark"  # of the engine
    BY_HAND = "set by hand"  # not proved by a recording

    @classmethod
    def _missing_(cls, value: object) -> Method | None:
        """The names of earlier versions."""
        return EARLIER_METHODS.get(str(value))


EARLIER_METHODS = {"stated": Method.BY_HAND, "gauge, equal lifts": Method.EQUAL_DROPS}
SHOWN = {
    Method.STOP: "piston stop",
    Method.EQUAL_DROPS: "dial gauge, equal drops",
    Method.FIT: "dial gauge, curve fit",
}

BY_GAUGE = (Method.EQUAL_DROPS, Method.FIT)
# Contributions that are the same when TDC is found again with the same rig.
_COMMON = (Source.GRADUATION, Source.RUN_OUT, Source.OFFSET, Source.ENCODER_BACKLASH)
Place = Annotated[float, number(-1e6, 1e6)]


@dataclass(frozen=True, slots=True)
class GaugeWorking:
    """What the person entered about gauge points after they were noted, so that the recording gives
    the same TDC again."""

    left_out: tuple[int, ...]  # numbers of points, from 1
    u_lift_mm: Annotated[float, number(0.0, 100.0)]
    u_angle_deg: Annotated[float, number(0.0, 360.0)]
    inclination_deg: Annotated[float, number(0.0, 90.0)]
    case: Literal["", "sliding", "pinned"]
    fit_offset: bool  # the cylinder's offset was found from the points too


def _endless(plain: Mapping[str, object]) -> dict[str, object]:
    """Infinite degrees of freedom were null in files before version 0.4.0."""
    return {
        key: "inf" if value is None and key in ("nu", "nu_eff") else value
        for key, value in plain.items()
    }


@dataclass(frozen=True, slots=True)
class TdcReference:
    """TDC of ``cylinder`` in degrees after the leading edge of the index, in [0, 360)."""

    tdc_deg: Annotated[float, number(0.0, 360.0)]
    uncertainty: Uncertainty
    method: Method
    how: Text = field(compare=False)  # one sentence for the certificate; no rule reads it
    made_utc: Text = ""
    capture: Text = ""  # file name of the capture in which it was found, "" when entered
    # Touches, degrees after the index; of a geared encoder over the turns that determine their
    # place. For an engine's mark the first has the crank's place and the second is empty.
    forward_deg: tuple[Place, ...] = ()  # reached turning forward
    backward_deg: tuple[Place, ...] = ()  # reached turning back
    cylinder: Annotated[int, whole(1, 36)] = 1
    warnings: tuple[Text, ...] = field(default=(), compare=False)  # no rule reads them
    gauge: GaugeWorking | None = None  # how its points were used, unless as noted
    mark: str = ""  # what the person calls the engine's mark

    @property
    def way(self) -> tuple[Method, str]:
        """The method, and which mark: the same for TDCs found in the same way."""
        return self.method, self.mark

    @property
    def by(self) -> str:
        """The method, or the person's name for the mark, to be shown."""
        return self.mark or SHOWN.get(self.method, self.method.value)

    @staticmethod
    def earlier(plain: Mapping[str, object]) -> dict[str, object]:
        """Plain values of older files: the mark apart from the method, the sources of uncertainty
        as codes, "inf" for null and true for 1."""
        now, method = dict(plain), plain.get("method")
        if "mark" not in plain and isinstance(method, str):
            known = method in (*Method, *EARLIER_METHODS)
            now |= {"mark": ""} if known else {"mark": method, "method": Method.MARK.value}
        now["method"] = EARLIER_METHODS.get(str(now.get("method")), now.get("method"))
        if isinstance(uncertainty := plain.get("uncertainty"), dict):
            now["uncertainty"] = whole = _endless(uncertainty)
            if isinstance(parts := whole.get("parts"), (list, tuple)):
                whole["parts"] = [
                    _endless(Contribution.earlier(each)) if isinstance(each, dict) else each
                    for each in parts
                ]
        if isinstance(gauge := plain.get("gauge"), dict) and gauge.get("fit_offset") in (0, 1):
            now["gauge"] = gauge | {"fit_offset": bool(gauge["fit_offset"])}
        return now


@dataclass(frozen=True, slots=True)
class Move:
    """TDC found again against the reference: later minus earlier, in (-180, 180]."""

    shift_deg: float
    uncertainty: Uncertainty
    has_moved: bool  # the shift is greater than its expanded uncertainty
    is_sharp: bool = True  # a slip that matters would have shown


def set_by_hand(
    tdc_deg: float, *, how: str, half_width_deg: float, cylinder: int = 1, made_utc: str = ""
) -> TdcReference:
    """TDC as the person enters it, surely within ``half_width_deg`` on either side: rectangular, so
    0.95 of it contains 95 % (JCGM 100:2008, 4.3.7). Raises InputError unless that is above 0."""
    if not 0.0 < half_width_deg <= 180.0:
        raise InputError(
            "TDC set by hand needs its uncertainty: enter the limit on either side, in degrees,"
            " greater than 0"
        )
    if not math.isfinite(tdc_deg):
        raise InputError("TDC set by hand: enter degrees after the index")
    words = f"entered within {half_width_deg:g} either way (JCGM 100, 4.3.7)"
    part = Contribution(Source.ENTERED, rectangular(half_width_deg), math.inf, "B", words)
    return TdcReference(
        modulo(tdc_deg),
        sure_within(part, half_width_deg),
        Method.BY_HAND,
        how,
        made_utc=made_utc,
        cylinder=cylinder,
    )


def by_hand(claimed: TdcReference, rules: Rules = ()) -> TdcReference:
    """A TDC that no recording gives, whatever its file says: set by hand.

    It keeps its angle and standard uncertainty, without touches and contributions, which nothing
    proves. One entered as surely within a limit keeps its U, too, but not by the ``rules`` of
    versions until 0.5.0. Raises InputError when it has no uncertainty.
    """
    of = claimed.uncertainty
    if not of.u_deg > 0.0:
        raise InputError(
            f"TDC at {claimed.tdc_deg:g}° has no uncertainty; find it again, or set it with rig tdc"
            " set"
        )
    own = claimed.method is Method.BY_HAND
    summed = combine(of.parts)
    if not own or not math.isclose(summed.u_deg, of.u_deg):
        part = Contribution(
            Source.ENTERED, of.u_deg, of.nu_eff, "B", "as entered (JCGM 100, 4.3.3)"
        )
        summed = combine([part])
    elif EarlierRule.ENTERED_AS_NORMAL not in rules and len(of.parts) == 1 and of.k < 1.7:
        summed = sure_within(of.parts[0], of.u_deg * math.sqrt(3.0))  # k is 0.95 sqrt(3), not 1.96
    return replace(
        claimed,
        uncertainty=summed,
        method=Method.BY_HAND,
        mark="",
        how=claimed.how if own else f"Entered as {claimed.by}: {claimed.how}",
        forward_deg=(),
        backward_deg=(),
        warnings=(),
        gauge=None,
    )


def moved(earlier: TdcReference, later: TdcReference) -> Move:
    """Compare TDC found again with the reference, to see whether the encoder slipped.

    What both have in common drops out, up to the difference of its size (JCGM 100:2008, 5.2).
    Raises InputError when the two are of different cylinders.
    """
    if earlier.cylinder != later.cylinder:
        raise InputError(
            f"the reference was found at cylinder {earlier.cylinder}: touch the piston stop there"
            f" again, not at cylinder {later.cylinder}"
        )
    uncertainty = combine(_parts_of_difference(earlier, later))
    shift_deg = wrap(later.tdc_deg - earlier.tdc_deg)
    limit_deg = max(SHARP * earlier.uncertainty.U_deg, ALWAYS_SHARP_DEG)
    return Move(
        shift_deg,
        uncertainty,
        has_moved=abs(shift_deg) > uncertainty.U_deg,
        is_sharp=uncertainty.U_deg <= min(limit_deg, NEVER_SHARP_DEG),
    )


def _parts_of_difference(earlier: TdcReference, later: TdcReference) -> list[Contribution]:
    """Own parts of both; common parts with the difference of their sizes."""
    if earlier.way != later.way:
        return [*earlier.uncertainty.parts, *later.uncertainty.parts]
    first = {part.source: part for part in earlier.uncertainty.parts if part.source in _COMMON}
    parts: list[Contribution] = []
    for part in later.uncertainty.parts:
        if (same := first.pop(part.source, None)) is None:
            parts.append(part)
            continue
        u_deg = abs(part.u_deg - same.u_deg)
        parts.append(replace(part, u_deg=u_deg, how="difference of a common part (5.2)"))
    own = [part for part in earlier.uncertainty.parts if part.source not in _COMMON]
    return [*parts, *own, *first.values()]


def offset_bias(
    halves_deg: Sequence[float],
    geometry: Geometry | None,
    *,
    shares: Sequence[float] = (1.0,),
    on_link_rod: bool = False,
) -> tuple[float, Contribution]:
    """Bias of a middle between two touches, degrees late, and its contribution after correction.

    ``halves_deg`` is half the arc between the touches; several middles have their ``shares`` in
    TDC. A piston on a link rod moves about as one with an offset. Source: ``stop_bias_deg``.
    """

    def bias_deg(shape: Geometry) -> float:
        return sum(
            share * stop_bias_deg(stop_travel_mm(half, shape), shape)
            for half, share in zip(halves_deg, shares, strict=True)
        )

    throws = LINK_ROD_OFFSET if on_link_rod else USUAL_OFFSET
    crank = USUAL_CRANK if geometry is None else geometry
    if crank.offset_mm is not None:
        return bias_deg(crank), Contribution(
            Source.OFFSET, 0.0, math.inf, "B", "offset entered, its bias corrected"
        )
    limit_mm = crank.offset_limit_mm or throws * crank.throw_mm
    bound_deg = abs(bias_deg(replace(crank, offset_mm=limit_mm)))
    whose = (
        f"an offset of at most {limit_mm:g} mm, as entered"
        if crank.offset_limit_mm
        else f"an offset not entered, assumed within {throws:g} of the throw"
    )
    if on_link_rod:
        whose = f"a link rod, as for an offset within {throws:g} of the throw"
    how = f"rectangular +/- {bound_deg:.3f} for {whose} (JCGM 100, 4.3.7)"
    return 0.0, Contribution(Source.OFFSET, rectangular(bound_deg), math.inf, "B", how)


def is_touched(reference: TdcReference) -> bool:
    """Whether it is by touches of the piston stop or by gauge points."""
    return reference.method is Method.STOP or by_gauge(reference)


def by_gauge(reference: TdcReference) -> bool:
    """Whether it is by gauge points; a later fit of them replaces an earlier one."""
    return reference.method in BY_GAUGE
