"""How TDC was found, and whether it is where it was, in words."""

from __future__ import annotations

from collections.abc import Mapping

from rig.base.rounding import after_index, difference, listed, many, noun, size, two_figures
from rig.job.tdc import GaugeDoubt, OutOfOrder
from rig.tdc.dial_gauge import Fit
from rig.tdc.gauge_series import MethodDifference, Slip, Suspect, TakenAgain
from rig.tdc.piston_stop import StopEnd, StopResult
from rig.tdc.reference import Move, TdcReference

SLIPS: Mapping[Slip | None, str] = {
    Slip.DECIMAL_POINT: "a decimal point in the wrong place?",
    Slip.INCH_AMONG_MM: "an inch figure among millimetres?",
    Slip.MM_AMONG_INCHES: "a millimetre figure among inches?",
    Slip.SWAPPED: "figures swapped?",
    None: "take it again",
}
"""How a gauge point was probably mistyped."""

STOP_ENDS: Mapping[StopEnd, str] = {
    StopEnd.DROPPED: "the touches were dropped",
    StopEnd.ONE_SIDE: (
        "touched from one side: this resolves the place of the index, and does not check TDC"
    ),
}
"""What came of the touches of a piston stop, beside TDC and its move."""


def move_words(move: Move) -> str:
    """Whether TDC found again is where the reference is."""
    U_deg = move.uncertainty.U_deg
    shift, U = size(move.shift_deg, U_deg), two_figures(U_deg)
    if not move.has_moved and not move.is_sharp:
        return f"this does not prove that TDC is where it was: shift {shift}° with U {U}°"
    if not move.has_moved:
        return f"TDC is where it was: shift {shift}° with U {U}°"
    way = "later" if move.shift_deg > 0 else "earlier"
    return (
        f"TDC is now {shift}° {way} than the reference, more than the uncertainty of {U}°: the"
        " encoder or its coupling has slipped, and readings since then are not valid"
    )


def taken_again_words(again: TakenAgain) -> str:
    """Whether gauge points taken again show TDC where it was."""
    U = again.move.uncertainty.U_deg
    if not again.move.has_moved:
        return f"taken again: TDC is where it was, within {two_figures(U)} degrees"
    return (
        f"TDC moved by {difference(again.move.shift_deg, U)} degrees (±{two_figures(U)}) since it"
        " was found: the encoder or its coupling slipped; find TDC again"
    )


def suspect_words(suspect: Suspect, number: int | None = None) -> str:
    """The gauge point that does not fit, and how it was probably mistyped; ``number`` is its own,
    if points were left out before it."""
    point = suspect.point
    return (
        f"gauge point {number or suspect.number} ({after_index(point.angle_deg)} degrees after the"
        f" index, {point.drop_mm:.3f} mm) does not fit: the other points give"
        f" {suspect.expected_mm:.3f} mm there; {SLIPS[suspect.slip]}"
    )


def misfit_words(found: Fit) -> str:
    """Gauge points that are not on the curve as a whole."""
    return (
        f"the points scatter {many(round(found.scatter), 'time')} as much as entered for a"
        " reading, and no single one is to blame: check stroke and rod, millimetres and inches,"
        " whether the gauge is inclined, and that there are points on either side of TDC"
    )


def gauge_doubt_words(doubt: GaugeDoubt) -> str:
    """What is against a gauge series."""
    about = doubt.about
    if isinstance(about, Suspect):
        return suspect_words(about, doubt.point)
    if isinstance(about, Fit):
        return misfit_words(about)
    if isinstance(about, TakenAgain):
        return taken_again_words(about)
    if isinstance(about, OutOfOrder):
        return (
            f"gauge point {about.number} ({about.drop_mm:.2f} mm) contradicts the others: nearer to"
            " TDC the drop is smaller; mistyped?"
        )
    was, it = ("was", "it") if len(about.numbers) == 1 else ("were", "them")
    return (
        f"{noun(len(about.numbers), 'point')} {listed(about.numbers)} {was} approached with the"
        f" piston falling, so clearances add to {it}: take {it} again with the piston rising"
    )


def gauge_check_words(cylinder: int, found: TakenAgain | str) -> str:
    """What gauge points taken again showed at a cylinder."""
    words = found if isinstance(found, str) else taken_again_words(found)
    return f"gauge, cylinder {cylinder}: {words}"


def beside_words(of: MethodDifference) -> str:
    """A TDC beside the one in use."""
    side = "after" if of.difference_deg > 0 else "before"
    agree = "within" if of.agree else "MORE THAN"
    return (
        f"{size(of.difference_deg, of.U_deg)}° {side} the one in use,"
        f" {agree} the {two_figures(of.U_deg)}° allowed"
    )


def methods_words(of: MethodDifference) -> str:
    """Two TDCs of one engine side by side."""
    way = "after" if of.difference_deg > 0 else "before"
    agree = "within" if of.agree else "more than"
    return (
        f"{of.first} is {size(of.difference_deg, of.U_deg)} degrees {way} {of.second},"
        f" {agree} the {two_figures(of.U_deg)} allowed between the two"
    )


def stop_words(result: StopResult) -> str:
    """What came of the touches when the piston stop was taken out."""
    if isinstance(result, Move):
        return move_words(result)
    if isinstance(result, TdcReference):
        return result.how
    return STOP_ENDS[result] if isinstance(result, StopEnd) else str(result or "")
