"""The first sheet: what was found. One block for each unit, setting and kind of reading."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from html import escape

from rig.counted import listed, noun
from rig.engine.stated import difference, few, figure, opening, scatter, two_figures
from rig.record import drawing
from rig.record.ink import entered, ink, visible
from rig.record.schema import Certificate, ReadingGroup
from rig.timing.judge import ONE_TURN_OUT, WORST_FIRST
from rig.timing.results import BEING_SET, PHASES, Comparison, Judgement, Verdict

_KINDS = {"set": "set with the crank held", "impulse": "impulse coupling engaged"}

Key = tuple[str, str, str, bool]
"""Unit, setting, kind, and whether a whole crank turn out: what makes a block."""


def results(certificate: Certificate) -> str:
    """Draw all blocks, in the order of the judgements."""
    blocks: dict[Key, list[Judgement]] = {}
    for each in certificate.judgements:
        key = (each.unit, each.setting, each.kind, _turn_out(each))
        blocks.setdefault(key, []).append(each)
    scales = _scales(certificate)
    return drawing.key() + "\n".join(
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


def _block(key: Key, of: Sequence[Judgement], scale: drawing.Scale, whole: Certificate) -> str:
    unit, setting, kind, turn_out = key
    phases = _phases(of)
    now = [each for each in of if each.phase == phases[-1]]
    rows = "".join(_row(each, of, scale, whole, len(now)) for each in now)
    side = " ATDC" if _common_side(of) == "ATDC" else ""
    past = f'<th class="past">{ink(phases[0])}, °{side}</th>' if len(phases) > 1 else ""
    what = ", ".join(
        [setting, *phases[-1:], *filter(None, (_KINDS.get(kind, ""), ONE_TURN_OUT * turn_out))]
    )
    table = (
        f'<table class="rows"><thead><tr><th>cyl.</th><th class="drawn">'
        f'{drawing.scale_row(scale)}</th>{past}<th class="right">mean ± U, °{side}</th>'
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


def _headline(now: Sequence[Judgement]) -> str:
    """The figure that is looked at first, its verdict, and the limits it is held against."""
    worst = min((each.verdict for each in now), key=WORST_FIRST.index)
    speaks = _speaks(now)
    if speaks is None or speaks.mean_btdc is None:
        off = _named(now, worst)
        if speaks is not None and speaks.groups:
            return (
                '<p class="figure words">no figure: readings in groups</p>'
                f'<p class="verdict">{drawing.mark(worst)}{ink(speaks.words)}</p>'
            )
        return (
            '<p class="figure words">each cylinder by its own figure</p>'
            f'<p class="verdict">{drawing.mark(worst)}{worst}{off}</p>'
        )
    U = _expanded(speaks)
    digits, side = opening(speaks.mean_btdc, U)
    within = "one reading" if U is None else f"± {two_figures(U)}°"
    words = speaks.words if speaks.verdict == worst else worst + _named(now, worst)
    if worst == "outside" and worst not in words:
        words = f"outside: {words}"
    lines = [
        f'<p class="figure">{digits}°<small> {side}</small></p>',
        f'<p class="within">{within}</p>',
        f'<p class="verdict">{drawing.mark(worst, _late(speaks))}{ink(words)}</p>',
    ]
    about = "; ".join(filter(None, (_limits(speaks), _apart(now, U))))
    return "".join(lines) + f'<p class="limits">{about}</p>'


def _limits(of: Judgement) -> str:
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


def _apart(now: Sequence[Judgement], U: float | None) -> str:
    """How far the cylinders lie apart, where there are several."""
    means = [e.mean_btdc for e in now if e.cylinder is not None and e.mean_btdc is not None]
    if len(means) < 2:
        return ""
    return f"cylinders within {figure(max(means) - min(means), U)}°"


def _named(now: Sequence[Judgement], verdict: Verdict) -> str:
    """The cylinders that have this verdict: ": cylinders 2 and 4", or nothing when all have."""
    own = [each for each in now if each.cylinder is not None]
    return "" if all(each.verdict == verdict for each in own) else _of_cylinders(own, verdict)


def _of_cylinders(own: Sequence[Judgement | Comparison], verdict: Verdict) -> str:
    """The cylinders among ``own`` that have ``verdict``: ": cylinders 2 and 4"."""
    named = [each.cylinder for each in own if each.verdict == verdict]
    return f": {noun(len(named), 'cylinder')} {listed(named)}" if named else ""


def _row(
    of: Judgement,
    block: Sequence[Judgement],
    scale: drawing.Scale,
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
        lanes.append(drawing.Lane(read, one.mean_btdc, _expanded(one), phase != phases[-1]))
        if phase != phases[-1]:
            past = f"{_mean(one, side)} {_mark(one)}"
    window = None
    if of.earliest_btdc is not None and of.latest_btdc is not None and of.kind != "impulse":
        middle = (of.earliest_btdc + of.latest_btdc) / 2
        nominal = of.nominal_btdc if of.nominal_btdc is not None else middle
        window = (of.earliest_btdc, nominal, of.latest_btdc)
    label = escape(f"cylinder {_cylinder(of.cylinder)}: {visible(of.words)}")
    drawn = drawing.row(scale, window, lanes, label, many)
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


def _common_side(of: Sequence[Judgement]) -> str:
    """ "ATDC" when all means of a block lie after top dead centre, else "BTDC"."""
    means = [each.mean_btdc for each in of if each.mean_btdc is not None]
    return "ATDC" if means and max(means) < 0 else "BTDC"


def _mean(of: Judgement, side: str) -> str:
    """ "36.12 ± 0.13"; with its side of top dead centre where it is not ``side``."""
    if of.mean_btdc is None:
        return "no mean"
    U = _expanded(of)
    digits, own = opening(of.mean_btdc, U)
    return (
        digits + ("" if U is None else f" ± {two_figures(U)}") + ("" if own == side else f" {own}")
    )


def _short(of: Judgement) -> str:
    """A row's verdict in a word or two; how far out when it is outside."""
    if of.groups:
        return of.words.removeprefix("no mean, ")
    if of.verdict != "outside":
        return of.verdict
    words = of.words
    for each in of.marks:
        words = words.removesuffix(f", {each}").removeprefix(f"{each}, there ")
    return words


def _notes(now: Sequence[Judgement], what: str) -> str:
    """Below a block: what would settle it, and the marks of its figures that ``what`` lacks."""
    notes: dict[str, list[str]] = {}
    unsettled = [each for each in now if each.settle]
    if unsettled:
        notes[unsettled[0].settle] = [_cylinder(unsettled[0].cylinder, len(now) > 1)]
    for each in now:
        said = list(each.marks)
        if why := few(each.uncertainty, each.n):
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
    said = worst if speaks.verdict == worst else worst + _of_cylinders(own, worst)
    late = speaks.difference_deg < (speaks.wanted_deg or 0.0)
    what = ", ".join(filter(None, (setting, phase)))
    return (
        f'<tr><td>{ink(what)}</td><td class="right">{_difference(over_all)}</td>'
        f'<td>{cylinders}</td><td class="nowrap">{wanted}</td>'
        f'<td class="sign-of">{drawing.mark(worst, late)}</td><td class="said">{said}</td></tr>'
    )


def _difference(of: Comparison | None) -> str:
    if of is None:
        return ""
    U = _expanded(of)
    within = "" if U is None else f" ± {two_figures(U)}"
    return difference(of.difference_deg, U) + within


def _expanded(of: Judgement | Comparison) -> float | None:
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


def _scales(certificate: Certificate) -> dict[tuple[str, str], drawing.Scale]:
    """One scale for each setting and kind, the same for all units, so that they compare by eye."""
    reach: dict[tuple[str, str], list[float]] = {}
    for j in certificate.judgements:
        angles = reach.setdefault((j.setting, j.kind), [])
        if j.kind != "impulse":
            angles += [x for x in (j.earliest_btdc, j.latest_btdc) if x is not None]
        if j.mean_btdc is not None:
            U = _expanded(j) or 0.0
            angles += [j.mean_btdc - U, j.mean_btdc + U]
    for group in certificate.readings:
        angles = reach.setdefault((group.setting, group.kind), [])
        angles += [x for x in group.btdc_deg if x is not None]
    two = len({each.phase for each in certificate.judgements}) > 1
    width = (44.0 if two else 60.0) * drawing.MM
    return {key: drawing.scale_over(angles, width) for key, angles in reach.items()}


def _read(groups: Sequence[ReadingGroup], of: Judgement, several: bool) -> list[float]:
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


def _turn_out(of: Judgement) -> bool:
    return ONE_TURN_OUT in of.marks


def _speaks(now: Sequence[Judgement]) -> Judgement | None:
    """The judgement that speaks for all: over all cylinders, else the only one."""
    over_all = [each for each in now if each.cylinder is None]
    if over_all:
        return over_all[0]
    return now[0] if len(now) == 1 else None


def _mark(of: Judgement) -> str:
    return drawing.mark(of.verdict, _late(of))


def _late(of: Judgement) -> bool:
    """Whether the mean lies on the late side of the middle of its window."""
    if of.mean_btdc is None or of.earliest_btdc is None or of.latest_btdc is None:
        return False
    return of.mean_btdc < (of.earliest_btdc + of.latest_btdc) / 2


def _cylinder(number: int | None, several: bool = True) -> str:
    if number is None:
        return "all" if several else "?"
    return str(number)


def _phases(of: Sequence[Judgement]) -> list[str]:
    """In order; what was read while it was being set only where it was not left so."""
    found = {each.phase for each in of}
    if "as left" in found:
        found -= {BEING_SET}
    return [each for each in PHASES if each in found] or sorted(found)
