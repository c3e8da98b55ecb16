"""The first sheet: what was found, one block for each unit, setting and kind of reading."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from html import escape

from rig.base.escape import ink, visible
from rig.base.rounding import difference, figure, listed, noun, opening, scatter, two_figures
from rig.certificate.page_budget import KINDS, by_line
from rig.certificate.schema import Certificate, ReadingGroup
from rig.certificate.strips import MM, Scale, drawing_key, mark, row, scale_row
from rig.engine.profile import Engine, Setting
from rig.engine.windows import FORMS, measured
from rig.job.clock import utc_shown
from rig.job.results import MadeAdjustment, PredictedOpening
from rig.plots.axis import Lane, reach
from rig.timing.assess import WORST_FIRST, verdict_over
from rig.timing.values import ADJUSTING, PHASES, Assessment, Comparison, Mark, Verdict
from rig.words.assessments import (
    MARKS,
    assessment_in_full,
    few_readings,
    verdict_words,
    what_decides,
)
from rig.words.figures import entered

Key = tuple[str, str, str, bool]


"""Unit, setting, kind, and whether a whole crank turn out: what makes a block."""


def results(certificate: Certificate) -> str:
    """Draw all blocks, in the order of the judgements."""
    blocks: dict[Key, list[Assessment]] = {}
    for each in certificate.judgements:
        key = (each.unit, each.setting, each.kind, _turn_out(each))
        blocks.setdefault(key, []).append(each)
    scales = _scales(certificate)
    return (
        _summary(blocks, certificate)
        + drawing_key()
        + "\n".join(_block(key, of, scales[key[1:3]], certificate) for key, of in blocks.items())
    )


def _summary(blocks: Mapping[Key, Sequence[Assessment]], certificate: Certificate) -> str:
    """The verdicts at one look, the worst first: each unit and setting as it was read last."""
    found: dict[Verdict, list[str]] = {}
    late = False
    for (unit, setting, kind, _), of in blocks.items():
        if kind == "turned":
            now = verdict_over([each for each in of if each.phase == _phases(of)[-1]])
            late = late or now.side == "late"
            found.setdefault(now.verdict, []).append(f"{unit}, {setting}")
    pairs: dict[tuple[str, str, str], list[Comparison]] = {}
    for pair in certificate.comparisons:
        pairs.setdefault((pair.first, pair.second, pair.setting), []).append(pair)
    for (first, second, setting), each in pairs.items():
        phases = [phase for phase in PHASES if any(one.phase == phase for one in each)]
        last = [one for one in each if not phases or one.phase == phases[-1]]
        worst = min((one.verdict for one in last), key=WORST_FIRST.index)
        if worst != "no window set":
            found.setdefault(worst, []).append(f"{first} with {second}, {setting}")
    rows = "".join(
        f'<p class="sum {verdict.split()[0]}"><b>{mark(verdict, late)}{verdict}</b>'
        f"<span>{ink('; '.join(names))}</span></p>"
        for verdict in WORST_FIRST
        if (names := found.get(verdict))
    )
    return f'<div class="summary">{rows}</div>'


def adjustments(certificate: Certificate) -> str:
    """Draw what was adjusted on the job: what was done, predicted of each unit, and read since."""
    return "".join(_adjusted(each) for each in certificate.adjustments)


def _adjusted(made: MadeAdjustment) -> str:
    steps = "".join(f"<li>{ink(step)}</li>" for step in made.steps or (made.words,))
    whole = [each for each in made.predictions if each.cylinder is None]
    rows = "".join(_prediction(each) for each in whole or made.predictions)
    return (
        f'<div class="block"><h3>Adjusted on this job, {ink(utc_shown(made.made_utc)[:10])}</h3>'
        f'<ul class="steps">{steps}</ul><table class="plain tight"><thead><tr>'
        '<th>degrees BTDC</th><th>cyl.</th><th class="right">before</th>'
        '<th class="right">predicted ± U</th><th class="right">read since</th><th></th></tr>'
        f"</thead><tbody>{rows}</tbody></table></div>"
    )


def _prediction(of: PredictedOpening) -> str:
    U = 2.0 * of.u_deg
    before, after = (_opening(each, U) for each in (of.before_btdc, of.predicted_btdc))
    read = "" if of.read_btdc is None else _opening(of.read_btdc, of.within_deg)
    cylinder = "all" if of.cylinder is None else str(of.cylinder)
    return (
        f'<tr><td class="nowrap">{ink(f"{of.unit}, {of.setting}")}</td><td>{cylinder}</td>'
        f'<td class="right">{before}</td><td class="right">{after} ± {two_figures(U)}</td>'
        f'<td class="right">{read}</td><td class="said"><b>{ink(of.verdict or "not read since")}'
        "</b></td></tr>"
    )


def _opening(btdc_deg: float, U: float | None) -> str:
    digits, side = opening(btdc_deg, U)
    return digits if side == "BTDC" else f"{digits} {side}"


def comparison(certificate: Certificate) -> str:
    """Draw the comparisons: a table for each pair, with a line for each setting and phase."""
    pairs: dict[tuple[str, str], dict[tuple[str, str], list[Comparison]]] = {}
    for (first, second, *line), of in by_line(certificate.comparisons).items():
        pairs.setdefault((first, second), {})[line[0], line[1]] = of
    return "".join(
        '<div class="block"><table class="plain tight"><thead><tr>'
        f"<th><h3>{ink(first)} earlier than {ink(second)} by</h3></th>"
        '<th class="right">over all, °</th><th>each cylinder, °</th><th>wanted</th>'
        '<th colspan="2">verdict</th></tr></thead><tbody>'
        + "".join(_compared(*key, of) for key, of in lines.items())
        + "</tbody></table>"
        + _source_of_pair(certificate, first, second)
        + "</div>"
        for (first, second), lines in pairs.items()
    )


def _source_of_pair(certificate: Certificate, first: str, second: str) -> str:
    """Where the wanted difference and its limits come from."""
    named = (
        each.source
        for each in certificate.stated.synchronism
        if (each.first, each.second) == (first, second) and each.source
    )
    source = next(named, "")
    return f'<p class="note">Limits of the difference: {ink(source)}</p>' if source else ""


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
    stated = _setting_of(whole, unit, setting)
    columns = _columns(now, stated, whole)
    rows = "".join(_row(each, of, scale, whole, len(now), columns) for each in now)
    side = " ATDC" if _common_side(of) == "ATDC" else ""
    past = f'<th class="past">{ink(phases[0])}, °{side}</th>' if len(phases) > 1 else ""
    what = ", ".join(
        [
            setting,
            *phases[-1:],
            *filter(None, (KINDS.get(kind, ""), MARKS[Mark.ONE_TURN_OUT] * turn_out)),
        ]
    )
    table = (
        f'<table class="rows"><thead><tr><th>cyl.</th><th class="drawn">'
        f'{scale_row(scale)}</th>{past}<th class="right">mean ± U, °{side}</th>'
        f'<th class="right">n</th><th class="right">s, °</th>'
        f"{''.join(f'<th>{ink(name)}</th>' for name in columns)}<th></th><th></th></tr></thead>"
        f"<tbody>{rows}</tbody></table>"
    )
    lesser = " lesser" if kind in KINDS else ""
    return (
        f'<div class="result{lesser}"><div>'
        f'<p class="unit">{ink(unit)}<small>{ink(what)}</small></p>'
        f"{_headline(now, stated, whole)}</div>"
        f'<div class="scroll">{table}{_limits_note(now, stated, whole)}'
        f"{_notes(now, what)}</div></div>"
    )


def _setting_of(whole: Certificate, unit: str, setting: str) -> Setting | None:
    """What the engine file states of a setting."""
    return next(
        (
            each
            for of in whole.stated.units
            if of.name == unit
            for each in of.settings
            if each.name == setting
        ),
        None,
    )


Column = Mapping[int | None, str]


def _columns(
    now: Sequence[Assessment], stated: Setting | None, whole: Certificate
) -> dict[str, Column]:
    """Further columns of a block, by their heads: limits where the cylinders' differ, and the
    openings in the measure of the manual."""
    found: dict[str, Column] = {}
    limits = {(each.earliest_btdc, each.nominal_btdc, each.latest_btdc) for each in now}
    if len(limits) > 1:
        found["wanted (permitted), °"] = {each.cylinder: _own_limits(each) for each in now}
    measure = _measure(stated)
    own = {each.cylinder: _in_measure(each, measure, whole.stated.engine) for each in now}
    if any(own.values()):
        found[_measure_name(measure)] = own
    return found


def _own_limits(of: Assessment) -> str:
    if of.earliest_btdc is None or of.latest_btdc is None:
        return ""
    ends = f"({entered(of.earliest_btdc)} to {entered(of.latest_btdc)})".replace("°", "")
    wanted = "" if of.nominal_btdc is None else entered(of.nominal_btdc).rstrip("°")
    return f"{wanted} {ends}".strip()


def _measure(stated: Setting | None) -> str:
    """What the manual measures a setting in; "" for degrees."""
    measure = stated.window.measure if stated is not None and stated.window is not None else ""
    return measure if measure in FORMS and FORMS[measure].of else ""


def _measure_name(measure: str) -> str:
    form = FORMS[measure]
    name = {"travel": "piston drop", "tape": "round the rim", "rule": "across the rim"}[form.of]
    return f"{name}, {form.unit}"


DECIMALS = {"mm": 2, "in": 3}


"""Decimals of a length at most: nobody reads a gauge or a rule finer."""


def _in_measure(of: Assessment, measure: str, engine: Engine) -> str:
    """A mean in the manual's measure with its U, rounded to what a person reads."""
    U, cylinder = _expanded(of), of.cylinder or 1
    if of.mean_btdc is None or not measure:
        return ""
    at = measured(of.mean_btdc, measure, engine, cylinder)
    if at is None:
        return ""
    decimals = DECIMALS[FORMS[measure].unit]
    if U is None:
        return figure(abs(at), decimals=decimals) + _after(at)
    ends = [measured(of.mean_btdc + side * U, measure, engine, cylinder) for side in (-1, 1)]
    within = max([abs(end - at) for end in ends if end is not None], default=0.0)
    rough = within >= 10.0 ** (1 - decimals)
    digits = [figure(each, decimals=decimals - rough) for each in (abs(at), within)]
    return f"{digits[0]} ± {digits[1]}{_after(at)}"


def _limits_in_measure(of: Assessment, measure: str, engine: Engine) -> str:
    """Nominal and limits in the manual's measure: "wanted 3.2 mm, permitted 3.4 to 3.0 mm"."""
    if not measure or of.nominal_btdc is None:
        return ""
    asked = (of.nominal_btdc, of.earliest_btdc, of.latest_btdc)
    at = [
        None if each is None else measured(each, measure, engine, of.cylinder or 1)
        for each in asked
    ]
    if any(each is None for each in at):
        return ""
    name, unit = _measure_name(measure).split(", ")
    wanted, early, late = (
        figure(abs(each), decimals=3 if unit == "mm" else 4).rstrip("0").rstrip(".")
        + ("" if each >= 0.0 else " ATDC")
        for each in at
        if each is not None
    )
    return f"{name}: wanted {wanted} {unit}, permitted {early} to {late} {unit}"


def _after(size: float) -> str:
    return " ATDC" if size < 0.0 else ""


def _headline(now: Sequence[Assessment], stated: Setting | None, whole: Certificate) -> str:
    """The figure that is looked at first, its verdict, and the limits it is held against."""
    found = verdict_over(now)
    speaks = _speaks(now)
    if speaks is None or speaks.mean_btdc is None:
        if speaks is not None and speaks.groups:
            return (
                f'<p class="verdict">{mark(found.verdict)}{ink(assessment_in_full(speaks))}</p>'
                '<p class="figure words">no figure: readings in groups</p>'
            )
        return (
            f'<p class="verdict">{mark(found.verdict, found.side == "late")}'
            f"{ink(verdict_words(found))}</p>"
            '<p class="figure words">each cylinder by its own figure</p>'
        )
    U = _expanded(speaks)
    digits, side = opening(speaks.mean_btdc, U)
    within = "one reading" if U is None else f"± {two_figures(U)}°"
    words = verdict_words(found) if speaks.kind == "turned" else assessment_in_full(speaks)
    if Mark.STROKE_NOT_STATED in speaks.marks and MARKS[Mark.STROKE_NOT_STATED] not in words:
        words += f", {MARKS[Mark.STROKE_NOT_STATED]}"
    late = found.side == "late" if found.side else _late(speaks)
    manual = _in_measure(speaks, _measure(stated), whole.stated.engine)
    if manual:
        manual = (
            f"{manual} {_measure_name(_measure(stated)).partition(', ')[2]} "
            + (_measure_name(_measure(stated)).partition(", ")[0])
        )
    lines = [
        f'<p class="verdict">{mark(found.verdict, late)}{ink(words)}</p>',
        f'<p class="figure">{digits}°<small> {side}</small></p>',
        f'<p class="within">{within}</p>',
        f'<p class="manual">{ink(manual)}</p>' if manual else "",
    ]
    return "".join(lines)


def _limits_note(now: Sequence[Assessment], stated: Setting | None, whole: Certificate) -> str:
    """The limits that no column has, where all of them come from, and how far cylinders differ."""
    speaks = _speaks(now)
    said = []
    if speaks is not None and speaks.mean_btdc is not None:
        measure = _measure(stated)
        own = speaks if speaks.kind == "turned" else None
        said = [
            _limits(speaks, rounded=bool(measure)),
            escape(_limits_in_measure(own, measure, whole.stated.engine)) if own else "",
            _apart(now, _expanded(speaks)),
        ]
    if stated is not None and now[0].kind == "turned":
        said += _stated_limits(stated)
    text = "; ".join(filter(None, said))
    return f'<p class="note limits">{text}</p>' if text else ""


def _stated_limits(stated: Setting) -> list[str]:
    """The limit of the spread, and the sources."""
    said = []
    if stated.spread_limit_deg is not None:
        said.append(f"s at most {entered(stated.spread_limit_deg)}")
    windows = [*stated.per_cylinder.values(), *([stated.window] if stated.window else [])]
    for source in dict.fromkeys(each.source for each in windows if each.source):
        stated_as = dict.fromkeys(e.stated_as for e in windows if e.source == source)
        as_written = next((each for each in stated_as if each), "")
        several = len(stated_as) > 1 or not as_written
        said.append(ink(f"by {source}" + ("" if several else f" ({as_written})")))
    return said


def _limits(of: Assessment, *, rounded: bool = False) -> str:
    """The figure wanted and the window about it, in the words of the trade; ``rounded`` to
    hundredths where the degrees are worked out from lengths."""
    if of.earliest_btdc is None or of.latest_btdc is None or of.kind == "impulse":
        return ""

    def stated(btdc_deg: float) -> str:
        return f"{figure(btdc_deg)}°" if rounded else entered(btdc_deg)

    def side(btdc_deg: float) -> str:
        return f"{stated(abs(btdc_deg))} {'BTDC' if btdc_deg >= 0 else 'ATDC'}"

    wanted = "" if of.nominal_btdc is None else f"wanted {side(of.nominal_btdc)}, "
    if of.earliest_btdc >= 0 <= of.latest_btdc:
        within = f"permitted {stated(of.earliest_btdc)} to {stated(of.latest_btdc)}"
    else:
        within = f"permitted {side(of.earliest_btdc)} to {side(of.latest_btdc)}"
    return wanted + within.replace(" ", "&nbsp;")


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
    columns: Mapping[str, Column],
) -> str:
    phases, several, side = _phases(block), many > 1, _common_side(block)
    lanes = []
    past = ""
    for phase in phases:
        one = next((j for j in block if (j.phase, j.cylinder) == (phase, of.cylinder)), None)
        if one is None:
            continue
        read = _read(whole.readings, one, several)
        lanes.append(Lane.of(one, read, past=phase != phases[-1]))
        if phase != phases[-1]:
            past = f"{_mean(one, side)} {_mark(one)}"
    window = None
    if of.earliest_btdc is not None and of.latest_btdc is not None and of.kind != "impulse":
        middle = (of.earliest_btdc + of.latest_btdc) / 2
        nominal = of.nominal_btdc if of.nominal_btdc is not None else middle
        window = (of.earliest_btdc, nominal, of.latest_btdc)
    label = escape(f"cylinder {_cylinder(of.cylinder)}: {visible(assessment_in_full(of))}")
    drawn = row(scale, window, lanes, label, many)
    sd = "" if of.sd_deg is None else scatter(of.sd_deg)
    wide = " !" if of.spread_verdict == "outside" else ""
    before = f'<td class="past">{past}</td>' if len(phases) > 1 else ""
    kind = ' class="all"' if of.cylinder is None and several else ""
    return (
        f'<tr{kind}><td>{_cylinder(of.cylinder, several)}</td><td class="drawn">{drawn}</td>'
        f'{before}<td class="right">{_mean(of, side)}</td><td class="right">{of.n}</td>'
        f'<td class="right">{sd}{wide}</td>'
        f"{''.join(f'<td>{ink(each.get(of.cylinder, str()))}</td>' for each in columns.values())}"
        f'<td class="sign-of">{_mark(of)}</td>'
        f'<td class="words{"" if of.groups else " short"}">{ink(_short(of))}</td></tr>'
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
        return assessment_in_full(of).removeprefix("no mean, ")
    if of.verdict == "inconclusive" and of.probability_inside is not None:
        return f"inconclusive, {_percent(of.probability_inside)} inside"
    if of.verdict != "outside":
        return of.verdict
    return verdict_words(verdict_over([of]))


def _percent(probability: float) -> str:
    """ "62 %", never nothing and never all."""
    percent = min(max(100.0 * probability, 0.0), 100.0)
    return "under 1 %" if percent < 1.0 else "over 99 %" if percent > 99.0 else f"{percent:.0f} %"


def _notes(now: Sequence[Assessment], what: str) -> str:
    """Below a block: what would settle it, and the marks of its figures that ``what`` lacks."""
    notes: dict[str, list[str]] = {}
    unsettled = [each for each in now if what_decides(each)]
    if unsettled:
        notes[what_decides(unsettled[0])] = [_cylinder(unsettled[0].cylinder, len(now) > 1)]
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
    likely = ", ".join(
        f"{_cylinder(each.cylinder)}&nbsp;{_percent(each.probability_inside)}"
        for each in of
        if each.verdict == "inconclusive" and each.probability_inside is not None
    )
    if likely:
        said = f"{said}; " if worst != "inconclusive" else ""
        said += f"inconclusive: cyl. {likely} inside"
    late = speaks.difference_deg < (speaks.wanted_deg or 0.0)
    what = ", ".join(filter(None, (setting, phase)))
    short = ' class="nowrap"' if len(own) < 6 else ""
    return (
        f'<tr><td>{ink(what)}</td><td class="right">{_difference(over_all)}</td>'
        f"<td{short}>{cylinders}</td>"
        f'<td class="nowrap">{wanted}</td>'
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
    settings = [setting for unit in certificate.stated.units for setting in unit.settings]
    more = any(setting.per_cylinder or _measure(setting) for setting in settings)
    width = (60.0 - 16.0 * two - 24.0 * more) * MM
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
