"""The first sheet: what was found, one block for each unit, setting and kind of reading.

Its drawings are inline SVG. Earlier is on the left, as the crank comes to it first. Nothing depends
on colour: the window has edges and hatching outside it, means are diamonds, bars are uncertainty,
readings are strokes.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape

from rig.base.escape import ink, visible
from rig.base.rounding import difference, figure, listed, noun, opening, scatter, two_figures
from rig.certificate.schema import Certificate, ReadingGroup
from rig.plots.axis import Axis, reach
from rig.timing.assess import WORST_FIRST, verdict_over
from rig.timing.values import ADJUSTING, PHASES, Assessment, Comparison, Mark, Verdict
from rig.words.assessments import MARKS, few_readings, verdict_words
from rig.words.figures import entered

_KINDS = {"set": "set with the crank held", "impulse": "impulse coupling engaged"}

Key = tuple[str, str, str, bool]


"""Unit, setting, kind, and whether a whole crank turn out: what makes a block."""


def results(certificate: Certificate) -> str:
    """Draw all blocks, in the order of the judgements."""
    blocks: dict[Key, list[Assessment]] = {}
    for each in certificate.judgements:
        key = (each.unit, each.setting, each.kind, _turn_out(each))
        blocks.setdefault(key, []).append(each)
    scales = _scales(certificate)
    return drawing_key() + "\n".join(
        _block(key, of, scales[key[1:3]], certificate) for key, of in blocks.items()
    )


def comparison(certificate: Certificate) -> str:
    """Draw the comparisons: a table for each pair, with a line for each setting and phase."""
    pairs: dict[tuple[str, str], dict[tuple[str, str], list[Comparison]]] = {}
    for each in certificate.comparisons:
        lines = pairs.setdefault((each.first, each.second), {})
        lines.setdefault((each.setting, each.phase), []).append(each)
    return "".join(
        '<div class="block"><table class="plain"><thead><tr>'
        f"<th><h3>{ink(first)} earlier than {ink(second)} by</h3></th>"
        '<th class="right">over all, °</th><th>each cylinder, °</th><th>wanted</th>'
        '<th colspan="2">verdict</th></tr></thead><tbody>'
        + "".join(_compared(*key, of) for key, of in lines.items())
        + "</tbody></table></div>"
        for (first, second), lines in pairs.items()
    )


def remarks(certificate: Certificate) -> str:
    """Draw what else the reader of the figures has to know: conditions, deviations, not counted."""
    items = [("Conditions", _sentences(certificate.conditions))]
    items.append(("Changed since the last certificate", _sentences(_changes(certificate))))
    items.append(("Deviations", _sentences(certificate.deviations)))
    items.append(("Readings", _tally(certificate)))
    listed = "".join(f"<dt>{name}</dt><dd>{text}</dd>" for name, text in items if text)
    return f'<div class="remarks"><dl class="pairs">{listed}</dl></div>'


def _block(key: Key, of: Sequence[Assessment], scale: Scale, whole: Certificate) -> str:
    unit, setting, kind, turn_out = key
    phases = _phases(of)
    now = [each for each in of if each.phase == phases[-1]]
    rows = "".join(_row(each, of, scale, whole, len(now)) for each in now)
    side = " ATDC" if _common_side(of) == "ATDC" else ""
    past = f'<th class="past">{ink(phases[0])}, °{side}</th>' if len(phases) > 1 else ""
    what = ", ".join(
        [
            setting,
            *phases[-1:],
            *filter(None, (_KINDS.get(kind, ""), MARKS[Mark.ONE_TURN_OUT] * turn_out)),
        ]
    )
    table = (
        f'<table class="rows"><thead><tr><th>cyl.</th><th class="drawn">'
        f'{scale_row(scale)}</th>{past}<th class="right">mean ± U, °{side}</th>'
        f'<th class="right">n</th><th class="right">s, °</th><th></th><th></th></tr></thead>'
        f"<tbody>{rows}</tbody></table>"
    )
    lesser = " lesser" if kind in _KINDS else ""
    return (
        f'<div class="result{lesser}"><div>'
        f'<p class="unit">{ink(unit)}<small>{ink(what)}</small></p>'
        f"{_headline(now)}</div>"
        f'<div class="scroll">{table}{_notes(now, what)}</div></div>'
    )


def _headline(now: Sequence[Assessment]) -> str:
    """The figure that is looked at first, its verdict, and the limits it is held against."""
    found = verdict_over(now)
    speaks = _speaks(now)
    if speaks is None or speaks.mean_btdc is None:
        if speaks is not None and speaks.groups:
            return (
                '<p class="figure words">no figure: readings in groups</p>'
                f'<p class="verdict">{mark(found.verdict)}{ink(speaks.words)}</p>'
            )
        return (
            '<p class="figure words">each cylinder by its own figure</p>'
            f'<p class="verdict">{mark(found.verdict, found.side == "late")}'
            f"{ink(verdict_words(found))}</p>"
        )
    U = _expanded(speaks)
    digits, side = opening(speaks.mean_btdc, U)
    within = "one reading" if U is None else f"± {two_figures(U)}°"
    words = verdict_words(found) if speaks.kind == "turned" else speaks.words
    if Mark.STROKE_NOT_STATED in speaks.marks and MARKS[Mark.STROKE_NOT_STATED] not in words:
        words += f", {MARKS[Mark.STROKE_NOT_STATED]}"
    late = found.side == "late" if found.side else _late(speaks)
    lines = [
        f'<p class="figure">{digits}°<small> {side}</small></p>',
        f'<p class="within">{within}</p>',
        f'<p class="verdict">{mark(found.verdict, late)}{ink(words)}</p>',
    ]
    about = "; ".join(filter(None, (_limits(speaks), _apart(now, U))))
    return "".join(lines) + f'<p class="limits">{about}</p>'


def _limits(of: Assessment) -> str:
    """The figure wanted and the window about it, in the words of the trade."""
    if of.earliest_btdc is None or of.latest_btdc is None or of.kind == "impulse":
        return ""
    wanted = "" if of.nominal_btdc is None else f"wanted {_side(of.nominal_btdc)}, "
    if of.earliest_btdc >= 0 <= of.latest_btdc:
        within = f"permitted {entered(of.earliest_btdc)} to {entered(of.latest_btdc)}"
    else:
        within = f"permitted {_side(of.earliest_btdc)} to {_side(of.latest_btdc)}"
    return wanted + within.replace(" ", "&nbsp;")


def _side(btdc_deg: float) -> str:
    return f"{entered(abs(btdc_deg))} {'BTDC' if btdc_deg >= 0 else 'ATDC'}"


def _apart(now: Sequence[Assessment], U: float | None) -> str:
    """How far the cylinders lie apart, where there are several."""
    means = [e.mean_btdc for e in now if e.cylinder is not None and e.mean_btdc is not None]
    if len(means) < 2:
        return ""
    return f"cylinders within {figure(max(means) - min(means), U)}°"


def of_cylinders(own: Sequence[Assessment | Comparison], verdict: Verdict) -> str:
    """The cylinders among ``own`` that have ``verdict``: ": cylinders 2 and 4"."""
    named = [each.cylinder for each in own if each.verdict == verdict]
    return f": {noun(len(named), 'cylinder')} {listed(named)}" if named else ""


def _row(
    of: Assessment,
    block: Sequence[Assessment],
    scale: Scale,
    whole: Certificate,
    many: int,
) -> str:
    phases, several, side = _phases(block), many > 1, _common_side(block)
    lanes = []
    past = ""
    for phase in phases:
        one = next((j for j in block if (j.phase, j.cylinder) == (phase, of.cylinder)), None)
        if one is None:
            continue
        read = _read(whole.readings, one, several)
        lanes.append(Lane(read, one.mean_btdc, _expanded(one), phase != phases[-1]))
        if phase != phases[-1]:
            past = f"{_mean(one, side)} {_mark(one)}"
    window = None
    if of.earliest_btdc is not None and of.latest_btdc is not None and of.kind != "impulse":
        middle = (of.earliest_btdc + of.latest_btdc) / 2
        nominal = of.nominal_btdc if of.nominal_btdc is not None else middle
        window = (of.earliest_btdc, nominal, of.latest_btdc)
    label = escape(f"cylinder {_cylinder(of.cylinder)}: {visible(of.words)}")
    drawn = row(scale, window, lanes, label, many)
    sd = "" if of.sd_deg is None else scatter(of.sd_deg)
    wide = " !" if of.spread_verdict == "outside" else ""
    before = f'<td class="past">{past}</td>' if len(phases) > 1 else ""
    kind = ' class="all"' if of.cylinder is None and several else ""
    return (
        f'<tr{kind}><td>{_cylinder(of.cylinder, several)}</td><td class="drawn">{drawn}</td>'
        f'{before}<td class="right">{_mean(of, side)}</td><td class="right">{of.n}</td>'
        f'<td class="right">{sd}{wide}</td><td class="sign-of">{_mark(of)}</td>'
        f'<td class="words">{ink(_short(of))}</td></tr>'
    )


def _common_side(of: Sequence[Assessment]) -> str:
    """ "ATDC" when all means of a block lie after top dead centre, else "BTDC"."""
    means = [each.mean_btdc for each in of if each.mean_btdc is not None]
    return "ATDC" if means and max(means) < 0 else "BTDC"


def _mean(of: Assessment, side: str) -> str:
    """ "36.12 ± 0.13"; with its side of top dead centre where it is not ``side``."""
    if of.mean_btdc is None:
        return "no mean"
    U = _expanded(of)
    digits, own = opening(of.mean_btdc, U)
    return (
        digits + ("" if U is None else f" ± {two_figures(U)}") + ("" if own == side else f" {own}")
    )


def _short(of: Assessment) -> str:
    """A row's verdict in a word or two; how far out when it is outside."""
    if of.groups:
        return of.words.removeprefix("no mean, ")
    if of.verdict != "outside":
        return of.verdict
    words = of.words
    for each in of.marks:
        words = words.removesuffix(f", {MARKS[each]}").removeprefix(f"{MARKS[each]}, there ")
    return words


def _notes(now: Sequence[Assessment], what: str) -> str:
    """Below a block: what would settle it, and the marks of its figures that ``what`` lacks."""
    notes: dict[str, list[str]] = {}
    unsettled = [each for each in now if each.settle]
    if unsettled:
        notes[unsettled[0].settle] = [_cylinder(unsettled[0].cylinder, len(now) > 1)]
    for each in now:
        said = [MARKS[mark] for mark in each.marks]
        if why := few_readings(each.uncertainty, each.n):
            said.append(why)
        if each.spread_verdict == "outside":
            said.append("the readings lie further apart than the limit for their spread (!)")
        for one in said:
            if one in what:
                continue
            notes.setdefault(one, []).append(_cylinder(each.cylinder, len(now) > 1))
    return "".join(
        f'<p class="note">{_whose(where, len(now))}{ink(words)}</p>'
        for words, where in notes.items()
    )


def _whose(cylinders: Sequence[str], many: int) -> str:
    return "" if len(cylinders) == many else f"cyl. {listed(cylinders)}: "


def _compared(setting: str, phase: str, of: Sequence[Comparison]) -> str:
    over_all = next((each for each in of if each.cylinder is None), None)
    own = [each for each in of if each.cylinder is not None]
    speaks = over_all or own[0]
    cylinders = " · ".join(
        f"<b>{each.cylinder}</b>&nbsp;{difference(each.difference_deg, _expanded(each))}"
        for each in own
    )
    worst = min((each.verdict for each in of), key=WORST_FIRST.index)
    wanted = ""
    if speaks.wanted_deg is not None and speaks.tolerance_deg is not None:
        wanted = f"{entered(speaks.wanted_deg)} ± {entered(speaks.tolerance_deg)}"
    said = worst if speaks.verdict == worst else worst + of_cylinders(own, worst)
    late = speaks.difference_deg < (speaks.wanted_deg or 0.0)
    what = ", ".join(filter(None, (setting, phase)))
    return (
        f'<tr><td>{ink(what)}</td><td class="right">{_difference(over_all)}</td>'
        f'<td>{cylinders}</td><td class="nowrap">{wanted}</td>'
        f'<td class="sign-of">{mark(worst, late)}</td><td class="said">{said}</td></tr>'
    )


def _difference(of: Comparison | None) -> str:
    if of is None:
        return ""
    U = _expanded(of)
    within = "" if U is None else f" ± {two_figures(U)}"
    return difference(of.difference_deg, U) + within


def _expanded(of: Assessment | Comparison) -> float | None:
    return of.uncertainty.U_deg if of.uncertainty else None


def _tally(certificate: Certificate) -> str:
    counted = sum(len(each.t_s) for each in certificate.readings)
    reasons: dict[str, int] = {}
    for each in certificate.not_counted:
        # Figures within a reason ("12.4 of 20 degrees") would make each of them its own.
        plain = re.sub(r"\d[\d.]*", "…", visible(each.why))
        reasons[plain] = reasons.get(plain, 0) + each.n
    if not reasons:
        return f"{counted}, all of which count."
    most = sorted(reasons.items(), key=lambda item: (-item[1], item[0]))
    said = [f"{ink(why)} ({n})" for why, n in most[:6]]
    rest = sum(n for _, n in most[6:])
    said += [f"other reasons ({rest})"] if rest else []
    return f"{counted} count; {sum(reasons.values())} do not: {'; '.join(said)}."


def _changes(certificate: Certificate) -> list[str]:
    changes = certificate.changes
    return [f"{each.unit}: {each.words}" if each.unit else each.words for each in changes]


def _sentences(texts: Iterable[str]) -> str:
    return "; ".join(ink(each.rstrip(".")) for each in texts)


def _scales(certificate: Certificate) -> dict[tuple[str, str], Scale]:
    """One scale for each setting and kind, the same for all units, so that they compare by eye."""
    drawn: dict[tuple[str, str], list[float]] = {}
    for j in certificate.judgements:
        angles = drawn.setdefault((j.setting, j.kind), [])
        if j.kind != "impulse":
            angles += [x for x in (j.earliest_btdc, j.latest_btdc) if x is not None]
        if j.mean_btdc is not None:
            U = _expanded(j) or 0.0
            angles += [j.mean_btdc - U, j.mean_btdc + U]
    for group in certificate.readings:
        angles = drawn.setdefault((group.setting, group.kind), [])
        angles += [x for x in group.btdc_deg if x is not None]
    two = len({each.phase for each in certificate.judgements}) > 1
    width = (44.0 if two else 60.0) * MM
    return {key: Scale(*reach(angles), width) for key, angles in drawn.items()}


def _read(groups: Sequence[ReadingGroup], of: Assessment, several: bool) -> list[float]:
    """The readings behind a judgement; none for the mean over cylinders, which stand below it."""
    if of.cylinder is None and several:
        return []
    key = (of.unit, of.setting, of.cylinder, of.phase, of.kind, _turn_out(of))
    return [
        angle
        for each in groups
        if (*(each.unit, each.setting, each.cylinder, each.phase), each.kind, each.wrong_stroke)
        == key
        for angle in each.btdc_deg
        if angle is not None
    ]


def _turn_out(of: Assessment) -> bool:
    return Mark.ONE_TURN_OUT in of.marks


def _speaks(now: Sequence[Assessment]) -> Assessment | None:
    """The judgement that speaks for all: over all cylinders, else the only one."""
    over_all = [each for each in now if each.cylinder is None]
    if over_all:
        return over_all[0]
    return now[0] if len(now) == 1 else None


def _mark(of: Assessment) -> str:
    return mark(of.verdict, _late(of))


def _late(of: Assessment) -> bool:
    """Whether the mean lies on the late side of the middle of its window."""
    if of.mean_btdc is None or of.earliest_btdc is None or of.latest_btdc is None:
        return False
    return of.mean_btdc < (of.earliest_btdc + of.latest_btdc) / 2


def _cylinder(number: int | None, several: bool = True) -> str:
    if number is None:
        return "all" if several else "?"
    return str(number)


def _phases(of: Sequence[Assessment]) -> list[str]:
    """In order; what was read while adjusting only where nothing was read as left."""
    found = {each.phase for each in of}
    if "as left" in found:
        found -= {ADJUSTING}
    return [each for each in PHASES if each in found] or sorted(found)


MM = 4.0


"""Units of a drawing to a millimetre of paper."""


_HATCH = (
    '<defs><pattern id="hatch" width="5" height="5" patternUnits="userSpaceOnUse" '
    'patternTransform="rotate(45)"><path class="hatch" d="M0 0V5"/></pattern></defs>'
)

SCALE_HEIGHT = 16.0


@dataclass(frozen=True, slots=True)
class Scale(Axis):
    """The axis of a drawing ``width`` wide, in units of the drawing."""

    width: float

    def x(self, btdc_deg: float) -> float:
        """Place of an angle across the drawing; beyond its ends, the end."""
        return round(self.width * self.share(btdc_deg), 1)


@dataclass(frozen=True, slots=True)
class Lane:
    """Readings of one phase: each of them, their mean and its expanded uncertainty, in degrees."""

    btdc_deg: Sequence[float]
    mean_btdc: float | None
    U_deg: float | None
    past: bool = False  # as found, where as left stands beside it: drawn hollow


def row(
    scale: Scale,
    window: tuple[float, float, float] | None,
    lanes: Sequence[Lane],
    label: str,
    rows: int,
) -> str:
    """Draw one of ``rows`` rows: ``window`` (earliest, nominal, latest) and the lanes in it.

    ``label`` says in words what is drawn, already escaped. The more rows, the lower each.
    """
    if len(lanes) > 1:
        height, drawn = 22.0, [_lane(scale, *each) for each in zip(lanes, (6, 16), strict=False)]
    elif rows > 6:
        height, drawn = 13.0, [_lane(scale, each, 6.5) for each in lanes]
    elif rows > 1:
        height, drawn = 20.0, [_lane(scale, each, 14, 1.5) for each in lanes]
    else:
        height, drawn = 44.0, [_lane(scale, each, 31, 7, 14) for each in lanes]
    drawn.insert(0, _window(scale, window, height))
    return _svg(scale, height, f'role="img" aria-label="{label}"', "".join(drawn), "strip")


def scale_row(scale: Scale) -> str:
    """Draw the scale above the rows: round angles, with the degrees before top dead centre."""
    parts = []
    for each in scale.ticks():
        x = scale.x(each)
        text = entered(each) if each >= 0 else f"{entered(-each)} ATDC"
        if 3 * len(text) < x < scale.width - 3 * len(text):
            parts.append(f'<text class="tick" x="{x}" y="9.5">{text}</text>')
        parts.append(f'<path class="edge" d="M{x} 12.5V{SCALE_HEIGHT}"/>')
    return _svg(scale, SCALE_HEIGHT, 'aria-hidden="true"', "".join(parts), "scale")


def mark(verdict: Verdict, late: bool = False) -> str:
    """Draw a verdict: the window as two bars and a dot in it, beyond it, or on its edge."""
    bars = '<path class="bars" d="M9.5 1.5V10.5M20.5 1.5V10.5"/>'
    if verdict == "inside":
        drawn = bars + '<circle class="dot" cx="15" cy="6" r="3.1"/>'
    elif verdict == "outside":
        drawn = bars + f'<path class="cross" d="M{23.5 if late else 1.2} 3l5.4 6m0 -6l-5.4 6"/>'
    elif verdict == "inconclusive":
        x = 20.5 if late else 9.5
        drawn = bars + f'<circle class="ring" cx="{x}" cy="6" r="3.1"/>'
    else:
        drawn = '<circle class="dots" cx="15" cy="6" r="3.1"/>'
    return f'<svg class="mark" viewBox="0 0 30 12" aria-hidden="true">{drawn}</svg>'


def drawing_key() -> str:
    """Draw the explanation of the strips."""
    samples = (
        ("window", 34, '<path class="edge" d="M8 0V12M26 0V12"/><rect fill="url(#hatch)" width="8" '
         'height="12"/><rect fill="url(#hatch)" x="26" width="8" height="12"/>'),
        ("nominal", 6, '<path class="nominal" d="M3 0V12"/>'),
        ("reading", 10, '<path class="reading" d="M2 2v8M5 2v8M9 2v8"/>'),
        ("mean ± U (about 95 %)", 26, '<path class="bar" d="M1 6H25M1 3v6M25 3v6"/>'
         '<path class="mean" d="M13 1.4l4 4.6l-4 4.6l-4 -4.6z"/>'),
    )  # fmt: skip
    shown = "".join(
        f'<span><svg viewBox="0 0 {width} 12" width="{width}" height="12" aria-hidden="true">'
        f"{drawn}</svg> {name}</span>"
        for name, width, drawn in samples
    )
    return f'<p class="key"><span>earlier at the left</span>{shown}</p>'


def rim() -> str:
    """Draw the line under the title, a stretch of a degree scale, and keep the hatching."""
    strokes = []
    for degree in range(121):
        length = 9 if degree % 10 == 0 else 6 if degree % 5 == 0 else 3.5
        strokes.append(f"M{degree * 6 + 1} 0v{length}")
    return (
        '<svg class="rim" viewBox="0 0 722 10" preserveAspectRatio="none" aria-hidden="true">'
        f'{_HATCH}<path d="M1 0.4H721{"".join(strokes)}"/></svg>'
    )


def _window(scale: Scale, window: tuple[float, float, float] | None, height: float) -> str:
    if window is None:
        return ""
    earliest, nominal, latest = (scale.x(each) for each in window)
    rest = f'width="{scale.width - latest:.1f}" height="{height}"'
    return (
        f'<rect fill="url(#hatch)" width="{earliest}" height="{height}"/>'
        f'<rect fill="url(#hatch)" x="{latest}" {rest}/>'
        f'<path class="edge" d="M{earliest} 0V{height}M{latest} 0V{height}"/>'
        f'<path class="nominal" d="M{nominal} 0V{height}"/>'
    )


def _lane(scale: Scale, lane: Lane, y: float, top: float | None = None, length: float = 7) -> str:
    """The mean and its bar at ``y``, the readings as strokes across it or down from ``top``."""
    top = y - 3.5 if top is None else top
    past = " past" if lane.past else ""
    places = sorted({scale.x(each) for each in lane.btdc_deg if math.isfinite(each)})
    strokes = "".join(f"M{x} {top}v{length}" for x in places)
    drawn = f'<path class="reading{past}" d="{strokes}"/>' if strokes else ""
    if lane.mean_btdc is None or not math.isfinite(lane.mean_btdc):
        return drawn
    middle = scale.x(lane.mean_btdc)
    if lane.U_deg is not None and math.isfinite(lane.U_deg):
        left, right = scale.x(lane.mean_btdc + lane.U_deg), scale.x(lane.mean_btdc - lane.U_deg)
        ends = f"M{left} {y - 3}v6M{right} {y - 3}v6"
        drawn += f'<path class="bar{past}" d="M{left} {y}H{right}{ends}"/>'
    return drawn + f'<path class="mean{past}" d="M{middle} {y - 4.6}l4 4.6l-4 4.6l-4 -4.6z"/>'


def _svg(scale: Scale, height: float, about: str, drawn: str, name: str) -> str:
    size = f'width="{scale.width / MM:g}mm" height="{height / MM:g}mm"'
    box = f'viewBox="0 0 {scale.width:g} {height:g}"'
    return f'<svg class="{name}" {box} {size} {about}>{drawn}</svg>'
