"""Verdicts, comparisons, the advance range, and what would decide a verdict, in words."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from rig.base.angles import wrap
from rig.base.rounding import FEW_FACTOR, entered, figure, listed, many, noun, size, two_figures
from rig.base.uncertainty import Contribution, Source, Uncertainty, combine
from rig.engine.geometry import tdc_after_first_deg
from rig.timing.advance_range import ADVANCE, RETARD, AdvanceRange, RangeDoubt
from rig.timing.values import WORST_FIRST, Mark
from rig.timing.verdict import MOST_READINGS, more_readings, with_readings

if TYPE_CHECKING:
    from rig.engine.profile import Engine, Setting
    from rig.tdc.reference import TdcReference
    from rig.timing.assess import UnitVerdict
    from rig.timing.drift import Line
    from rig.timing.values import Assessment, Comparison, Reading, Verdict


SOURCES: Mapping[Source, str] = {
    Source.REPEATABILITY: "repeatability",
    Source.TDC: "TDC",
    Source.COUNTING: "counting",
    Source.GRADUATION: "graduation",
    Source.RUN_OUT: "run-out",
    Source.BACKLASH: "backlash",
    Source.BACKLASH_OF_BOTH: "backlash of both",
    Source.SENSING_DELAY: "delay of sensing",
    Source.HELD: "hand",
    Source.OFFSET: "cylinder offset",
    Source.ENCODER_BACKLASH: "backlash of the encoder's drive",
    Source.ENTERED: "entry",
    Source.GAUGE: "gauge",
    Source.UNEQUAL_DROPS: "nearly equal drops",
    Source.TOUCHED_AGAIN: "touched again",
    Source.ENTERED_TDC: "TDC as entered",
    Source.OTHER: "other",
}


MARKS: Mapping[Mark, str] = {
    Mark.ONE_TURN_OUT: "one crank turn out",
    Mark.STROKE_NOT_ENTERED: "firing TDC not entered",
    Mark.CONFIRM_BY_TURNING: "set with the crank held: confirm by turning",
    Mark.IMPULSE_COUPLING: "impulse coupling engaged",
    Mark.IN_GROUPS: "readings in groups",
    Mark.DRAG_HELD: "light drag on the rotor",
    Mark.PAPER_MEANT: "the manual means the slip of paper, which comes free later",
}


SHORT_MARKS: Mapping[Mark, str] = {
    Mark.ONE_TURN_OUT: "1 turn out",
    Mark.STROKE_NOT_ENTERED: "stroke?",
    Mark.CONFIRM_BY_TURNING: "as set",
    Mark.IMPULSE_COUPLING: "impulse",
    Mark.IN_GROUPS: "groups",
    Mark.DRAG_HELD: "drag",
    Mark.PAPER_MEANT: "paper",
}
"""The same where there is little room."""

RULES: Mapping[str, str] = {
    "guarded": (
        "inside when the mean lies within the limits by at least its expanded uncertainty U "
        "(about 95 %), outside when it lies beyond a limit by more than U, else inconclusive "
        "(guarded acceptance and rejection, JCGM 106, w = U)"
    ),
    "simple": (
        "inside when the mean lies within the limits, else outside; the uncertainty is given "
        "but not used (simple acceptance, JCGM 106)"
    ),
}
"""The decision rules, a sentence each."""

FIND_WHAT_MOVES = (
    "find what moves before anything is set by it: the unit on its flange, its coupling or key, a"
    " lobe, the lever; then read again"
)


def contribution_words(part: Contribution) -> str:
    """Where a contribution comes from, and of which unit if two are compared."""
    words = SOURCES[part.source]
    return f"{words}, {part.of}" if part.of else words


def few_readings(of: Uncertainty | None, n: int) -> str:
    """Where a wide interval comes from: "2 readings: Student's factor 12.7".

    Empty if Student's factor is under ``FEW_FACTOR``. ``n`` is the number of readings. Of several
    contributions the one is named that leaves so few degrees of freedom.
    """
    if of is None or of.k < FEW_FACTOR:
        return ""
    factor = f"Student's factor {of.k:.1f}"
    few_of = max(of.parts, key=lambda p: p.u_deg**4 / p.nu, default=None)
    if few_of is None or few_of.nu == n - 1:
        return f"{many(n, 'reading')}: {factor}"
    return f"{contribution_words(few_of)}: {many(round(few_of.nu), 'degree')} of freedom, {factor}"


def few_points(line: Line) -> str:
    """What to add about a drift whose line hardly has more points than it needs; else nothing."""
    if line.free > 2:
        return ""
    more = "one more" if line.free == 1 else "two more"
    points = many(line.points, "point")
    return f" (through {points}, {more} than it needs: the next should confirm it)"


def early_or_late(deviation_deg: float, uncertainty: Uncertainty | None) -> str:
    """A deviation from nominal in words, positive early: "1.43 degrees early of nominal"."""
    digits = size_in_words(deviation_deg, uncertainty)
    if float(digits) == 0.0:
        return "on the nominal"
    return f"{digits} degrees {'early' if deviation_deg > 0.0 else 'late'} of nominal"


def assessment_in_full(of: Assessment) -> str:
    """A figure against its limits: "0.10 degrees beyond the early limit (2.10 degrees early of
    nominal)"; or why it has no mean.

    "Beyond" is measured from the limit, "early of nominal" and "late of nominal" from the nominal.
    """
    if of.groups:
        how = {True: ", it moved", False: ", it goes to and fro", None: ""}[of.in_turn]
        where = [
            f"{each.n} at {abs(each.mean_btdc):.2f}° {'ATDC' if each.mean_btdc < 0.0 else 'BTDC'}"
            for each in of.groups
        ]
        return f"no mean{how}: " + f", {'then' if of.in_turn else 'and'} ".join(where)
    if of.mean_btdc is None:
        return "the readings are all round the turn: they have no mean"
    if of.lag_deg is not None:
        lag = size_in_words(of.lag_deg, of.uncertainty)
        return f"impulse coupling, {lag} degrees after the running figure"
    if of.nominal_btdc is None or of.earliest_btdc is None or of.latest_btdc is None:
        return MARKS[Mark.IMPULSE_COUPLING] if of.kind == "impulse" else "no window set"
    side = early_or_late(wrap(of.mean_btdc - of.nominal_btdc), of.uncertainty)
    if Mark.ONE_TURN_OUT in of.marks:
        return f"{MARKS[Mark.ONE_TURN_OUT]}, there {side}"
    if of.kind != "turned":
        return f"{side}, {'as set' if of.kind == 'set' else MARKS[Mark.IMPULSE_COUPLING]}"
    stroke = Mark.STROKE_NOT_ENTERED in of.marks
    end = f", {MARKS[Mark.STROKE_NOT_ENTERED]}" if stroke else ""
    if of.verdict == "inside":
        return f"inside{end}"
    early, late = wrap(of.mean_btdc - of.earliest_btdc), wrap(of.latest_btdc - of.mean_btdc)
    beyond, name = max((early, "early"), (late, "late"))
    digits = size_in_words(beyond, of.uncertainty)
    limit = f"{digits} degrees {'beyond' if beyond > 0.0 else 'inside'} the {name} limit"
    if float(digits) == 0.0:
        limit = f"on the {name} limit"
    doubt = "inconclusive, " if of.verdict == "inconclusive" else ""
    return f"{doubt}{limit} ({side}){end}"


def what_decides(of: Assessment) -> str:
    """What would decide an inconclusive figure, with its probability of being inside; what to do
    about readings in groups. Empty where nothing is left to decide."""
    if of.groups:
        return FIND_WHAT_MOVES
    nominal, early, late = of.nominal_btdc, of.earliest_btdc, of.latest_btdc
    if of.verdict != "inconclusive" or of.mean_btdc is None:
        return ""
    if nominal is None or early is None or late is None:
        return ""
    off, lower, upper = (wrap(each - nominal) for each in (of.mean_btdc, late, early))
    how = how_to_decide(off, of.uncertainty, of.n, lower, upper)
    return "; ".join(filter(None, (probability_words(of.probability_inside), how)))


def in_groups(assessments: Iterable[Assessment]) -> list[str]:
    """A sentence for each unit, setting, phase and kind whose readings are in groups: that over all
    cylinders, if there is one."""
    found: dict[tuple[str, str, str, str], str] = {}
    for j in assessments:
        if j.groups:
            words = f"{j.unit}, {j.setting}, {j.phase}: {assessment_in_full(j)}"
            found.setdefault((j.unit, j.setting, j.phase, j.kind), words)
    return list(found.values())


def not_from_own_tdc(
    assessments: Iterable[Assessment], engine: Engine, reference: TdcReference | None
) -> list[int]:
    """The cylinders whose degrees are not those before their own TDC."""
    cylinders = {j.cylinder for j in assessments if j.cylinder and j.mean_btdc is not None}
    if reference is None:
        return []
    return sorted(cylinders - tdc_after_first_deg(engine, reference.cylinder).keys())


def places_words(
    assessments: Iterable[Assessment], engine: Engine, reference: TdcReference | None
) -> list[str]:
    """That degrees are not those before a cylinder's own TDC, if there are such; at most one
    sentence."""
    cylinders = not_from_own_tdc(assessments, engine, reference)
    if not cylinders:
        return []
    one = len(cylinders) == 1
    return [
        f"{noun(len(cylinders), 'cylinder')} {listed(cylinders)}: degrees BTDC are counted"
        f" from {'its place' if one else 'their places'} in the firing order, not from"
        f" {'its own TDC, which is' if one else 'their own TDCs, which are'} not entered"
    ]


def probability_words(probability: float | None) -> str:
    """ "inside with a probability of 62 %"; empty if it is not known."""
    if probability is None:
        return ""
    shown = percent(probability)
    return f"inside with a probability {'of ' if shown[0].isdigit() else ''}{shown}"


def percent(probability: float) -> str:
    """ "62 %", never nothing and never all."""
    of_100 = 100.0 * probability
    return "under 1 %" if of_100 < 1.0 else "over 99 %" if of_100 > 99.0 else f"{of_100:.0f} %"


def verdict_word(of: UnitVerdict) -> str:
    """The verdict on a unit in a word: "inside", "early", "late", "inconclusive"; "one turn out"
    for a unit that is coupled wrongly; empty if no window is set."""
    if of.one_turn_out:
        return "one turn out"
    return of.side or ("" if of.verdict == "no window set" else of.verdict)


def beyond_words(of: UnitVerdict, *, coarse: bool = False) -> str:
    """How far a unit is beyond its limit: "0.44°"; empty unless it is early or late.

    ``coarse``: to no more than a hundredth of a degree, for large letters.
    """
    if of.beyond_deg is None:
        return ""
    fine = size(of.beyond_deg, of.U_deg)
    short = size(of.beyond_deg)
    return f"{short if coarse and len(short) < len(fine) else fine}°"


def verdict_words(of: UnitVerdict) -> str:
    """The verdict on a unit with its amount and cylinders: "late by 0.44°: cylinders 2 and 3"."""
    by = beyond_words(of)
    named = (
        f": {noun(len(of.cylinders), 'cylinder')} {listed(of.cylinders)}" if of.cylinders else ""
    )
    return (verdict_word(of) or "no window set") + (f" by {by}" if by else "") + named


def reading_word(reading: Reading, setting: Setting) -> str:
    """A single reading against its window in a word or two; empty without a window."""
    if reading.kind == "impulse":
        return "trip"
    if reading.wrong_stroke:
        return "one turn out"
    window = setting.per_cylinder.get(reading.cylinder or 0, setting.window)
    if window is None or reading.btdc_deg is None:
        return ""
    if wrap(reading.btdc_deg - window.earliest_btdc) > 0.0:
        word = "early"
    else:
        word = "late" if wrap(window.latest_btdc - reading.btdc_deg) > 0.0 else "inside"
    return f"{word}, set" if reading.kind == "set" else word


def comparison_words(own: Sequence[Comparison]) -> str:
    """Two units against each other, short enough for a line of the screen: the difference over all
    cylinders, first in ``own``, and the worst verdict with the cylinders that have it."""
    of, worst = own[0], worst_verdict(own)
    U_deg = of.U_deg
    apart = size(of.difference_deg, U_deg)
    if float(apart) == 0.0:
        found = f"{of.first} and {of.second} open together"
    else:
        way = "before" if of.difference_deg > 0.0 else "after"
        found = f"{of.first} {apart}° {way} {of.second}"
    if worst == "no window set" or of.wanted_deg is None or of.tolerance_deg is None:
        return found
    if of.verdict != worst:
        return f"{found}: {worst}{of_cylinders(own, worst)}"
    over = ""
    if of.verdict == "outside":
        beyond = abs(wrap(of.difference_deg - of.wanted_deg)) - of.tolerance_deg
        over = f" by {size(beyond, U_deg)}°"
    return f"{found}: {of.verdict}{over}"


def worst_verdict(of: Iterable[Assessment | Comparison]) -> Verdict:
    """The verdict on all of them."""
    return min((each.verdict for each in of), key=WORST_FIRST.index)


def of_cylinders(own: Iterable[Assessment | Comparison], verdict: Verdict) -> str:
    """The cylinders among ``own`` that have ``verdict``: ": cylinders 2 and 4"."""
    named = [each.cylinder for each in own if each.verdict == verdict]
    return f": {noun(len(named), 'cylinder')} {listed(named)}" if named else ""


def comparison_in_full(of: Comparison) -> str:
    """Which unit opens before the other, by how much, and how far that is beyond what is permitted;
    with its probability if it is inconclusive."""
    digits = size_in_words(of.difference_deg, of.uncertainty)
    way = "before" if of.difference_deg > 0.0 else "after"
    words = f"{of.first} opens {digits} degrees {way} {of.second}"
    if float(digits) == 0.0:
        words = f"{of.first} and {of.second} open together"
    if of.verdict == "outside" and of.wanted_deg is not None and of.tolerance_deg is not None:
        beyond = abs(wrap(of.difference_deg - of.wanted_deg)) - of.tolerance_deg
        over = size_in_words(beyond, of.uncertainty)
        words += f", {over}° beyond the {entered(of.tolerance_deg)}° permitted"
    return ", ".join(filter(None, (words, probability_words(of.probability_inside))))


def size_in_words(angle_deg: float, uncertainty: Uncertainty | None) -> str:
    """The size of an angle to the digits that its uncertainty warrants."""
    return size(angle_deg, uncertainty.U_deg if uncertainty else None)


def how_to_decide(
    value: float, uncertainty: Uncertainty | None, n: int, lower: float, upper: float
) -> str:
    """What would decide an inconclusive verdict, in words; degrees throughout.

    How many more readings, or else which contribution has to shrink and to what.
    """
    if uncertainty is None:
        return "one reading has no SD: take 2 more"
    margin = min(abs(value - lower), abs(value - upper))
    count = more_readings(uncertainty.parts, n, margin)
    if count is not None:
        return f"{many(count, 'more reading')}, if mean and SD stay as they are"
    left = with_readings(uncertainty.parts, n, math.inf)
    said = "more readings will not help"
    if left.U_deg <= margin:
        return (
            f"more than {MOST_READINGS} more readings: the mean is "
            f"{figure(margin, left.U_deg)} degrees from the limit, too near for its SD"
        )
    if 2.0 * left.U_deg > upper - lower:
        said += (
            f", and with U of {two_figures(left.U_deg)} degrees in a window of"
            f" {entered(upper - lower)} no reading could be accepted"
        )
    return f"{said}: {_what_has_to_shrink(left.parts, margin)}"


MOST_TO_SHRINK = 2  # contributions; with more of them the mean is as good as on its limit


def _what_has_to_shrink(parts: Sequence[Contribution], margin: float) -> str:
    """The fewest contributions, largest first, that have to shrink for U to reach ``margin``."""
    from scipy.optimize import bisect

    ranked = sorted((p for p in parts if p.u_deg > 0.0), key=lambda p: -p.u_deg)
    for i, part in enumerate(ranked[:MOST_TO_SHRINK]):
        rest = ranked[i + 1 :]

        def over(u_deg: float, part: Contribution = part, rest: list[Contribution] = rest) -> float:
            return combine([replace(part, u_deg=u_deg), *rest]).U_deg - margin

        if over(0.0) < 0.0:
            needed = bisect(over, 0.0, part.u_deg, xtol=1e-9)
            to = f"to about {two_figures(needed)}" if needed > 1e-8 else "to nothing"
            gone = " and ".join(contribution_words(p) for p in ranked[:i])
            also = f" and {gone} to nothing" if gone else ""
            return (
                f"the contribution of {contribution_words(part)}, now {two_figures(part.u_deg)}"
                f" degrees, would have to shrink {to}{also}"
            )
    return "the mean is on its limit, and no reading decides it"


NO_LIMIT = "no latest opening is entered: enter the maker's figure in the engine file"


def advance_range_words(found: AdvanceRange) -> str:
    """How far a lever moves the opening, and what is left on either side of the nominal."""
    digits = size_in_words(found.range_deg, found.uncertainty)
    text = f"{found.unit}: the lever moves the opening by {digits} degrees"
    if found.some:
        text += f" ({found.some}, read at both ends)"
    wanted, earlier, later = found.wanted_btdc, found.left_earlier_deg, found.left_later_deg
    if wanted is None or earlier is None or later is None:
        return text
    short_deg = -min(earlier, later)
    end = found.advance if earlier < 0.0 else found.retard
    if 0.0 < short_deg <= (end.assessment.U_deg or 0.0):
        return f"{text}; {wanted:g} BTDC is at its very end, {end.setting}, within U"
    if short_deg > 0.0:
        digits = size_in_words(short_deg, found.uncertainty)
        side = "late" if earlier < 0.0 else "early"
        return f"{text}; it does not reach {wanted:g} BTDC, {digits} degrees too {side} for it"
    return (
        f"{text}; at {wanted:g} BTDC, {size_in_words(earlier, found.uncertainty)} are left "
        f"towards advance and {size_in_words(later, found.uncertainty)} towards retard"
    )


def range_doubt_words(found: AdvanceRange) -> list[str]:
    """What is in doubt about a lever's range, a sentence each."""
    ends = (found.advance, found.retard)
    when = " and ".join(f"{end.setting} was read {end.assessment.phase}" for end in ends)
    words = {
        RangeDoubt.IN_TWO_PHASES: (
            f"{when}: the unit may have been moved in between; read both ends again"
        ),
        RangeDoubt.CYLINDERS_NOT_KNOWN: (
            "firing TDC not entered at one end: other cylinders may have been read"
        ),
        RangeDoubt.MIXED_UP: f"{ADVANCE} was read later than {RETARD}: are the two mixed up?",
    }
    return [words[each] for each in found.doubts]


def latest_words(found: AdvanceRange) -> str:
    """Full retard against the latest opening entered for the engine."""
    retard = found.limit
    latest = retard.assessment.latest_btdc
    if latest is None:
        return NO_LIMIT
    over = wrap(latest - retard.btdc_deg)
    digits = size_in_words(over, retard.assessment.uncertainty)
    side = "later" if over > 0.0 else "earlier"
    return f"{retard.setting} opens {digits} degrees {side} than the latest opening entered"


CAUTION = (
    "A line through a few certificates is a hint, not a promise: contacts and heels wear faster "
    "when new, and a part that gives way does not announce itself. Read the timing again in good "
    "time; the maker's manual says how often."
)
"""Shown beside every line through several certificates."""
