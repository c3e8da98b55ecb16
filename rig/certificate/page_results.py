"""The first sheet: what was found, one block for each unit, setting and kind of reading."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from html import escape

from rig.base.escape import ink, visible
from rig.base.rounding import (
    btdc,
    difference,
    entered_btdc,
    figure,
    listed,
    opening,
    scatter,
    two_figures,
)
from rig.certificate.page_budget import KINDS, by_block, by_line, cylinder
from rig.certificate.schema import Certificate, RecordedAssessment
from rig.certificate.strips import MM, Scale, drawing_key, mark, row, scale_row
from rig.engine.windows import FORMS, measured
from rig.job.clock import utc_shown
from rig.job.results import MadeAdjustment, PredictedOpening
from rig.plots.axis import Lane, reach
from rig.timing.assess import verdict_over
from rig.timing.values import ADJUSTING, PHASES, WORST_FIRST, Comparison, Mark, Verdict
from rig.words.assessments import (
    MARKS,
    few_readings,
    of_cylinders,
    percent,
    verdict_words,
    worst_verdict,
)
from rig.words.figures import entered

MEASURES = {"travel": "piston drop", "tape": "round the rim", "rule": "across the rim"}
DECIMALS = {"mm": 2, "in": 3}  # of a length at most: nobody reads a gauge or a rule finer


def results(certificate: Certificate) -> str:
    """Draw the summary and all blocks, in the order of the judgements."""
    blocks = [_Block(of, certificate) for of in by_block(certificate.judgements)]
    alike: defaultdict[object, list[_Block]] = defaultdict(list)  # one scale, to compare by eye
    for block in blocks:
        alike[block.setting, block.kind].append(block)
    drawn = (block.drawn(_scale(alike[block.setting, block.kind])) for block in blocks)
    return _summary(blocks, certificate.comparisons) + drawing_key() + "\n".join(drawn)


def _summary(blocks: Sequence[_Block], comparisons: Sequence[Comparison]) -> str:
    """The verdicts at one look, the worst first: each unit and setting as it was read last."""
    found: defaultdict[Verdict, list[str]] = defaultdict(list)
    turned = [block for block in blocks if block.kind == "turned"]
    late = any(block.found.side == "late" for block in turned)
    for block in turned:
        found[block.found.verdict].append(f"{block.unit}, {block.setting}")
    pairs: defaultdict[str, list[Comparison]] = defaultdict(list)
    for pair in comparisons:
        pairs[f"{pair.first} with {pair.second}, {pair.setting}"].append(pair)
    for name, of in pairs.items():
        last = [phase for phase in PHASES if any(one.phase == phase for one in of)][-1:]
        worst = worst_verdict([one for one in of if not last or one.phase == last[0]])
        if worst != "no window set":
            found[worst].append(name)
    rows = "".join(
        f'<p class="sum"><b>{mark(verdict, late)}{verdict}</b>'
        f"<span>{ink('; '.join(found[verdict]))}</span></p>"
        for verdict in WORST_FIRST
        if found[verdict]
    )
    return f'<div class="summary">{rows}</div>'


class _Block:
    """The readings of one kind of a unit in one setting, against its window."""

    def __init__(self, of: Sequence[RecordedAssessment], whole: Certificate) -> None:
        self.of, self.whole = of, whole
        self.unit, self.setting, self.kind = of[0].unit, of[0].setting, of[0].kind
        self.turn_out = Mark.ONE_TURN_OUT in of[0].marks
        phases = {each.phase for each in of}
        if "as left" in phases:  # then the readings while adjusting are left out
            phases -= {ADJUSTING}
        self.phases = sorted(phases, key=lambda each: [*PHASES, each].index(each))
        self.now = [each for each in of if each.phase == self.phases[-1]]
        self.several = len(self.now) > 1
        speaking = (each for each in self.now if each.cylinder is None or not self.several)
        self.speaks = next(speaking, None)  # for all of them
        self.found = verdict_over(self.now)
        self.stated = next(
            (
                each
                for unit in whole.stated.units
                for each in unit.settings
                if (unit.name, each.name) == (self.unit, self.setting)
            ),
            None,
        )
        window = self.stated.window if self.stated else None
        form = FORMS.get(window.measure) if window else None
        self.measure = self.length = self.length_of = ""  # of the manual, where it is no angle
        if window and form and form.of:
            self.measure, self.length = window.measure, form.unit
            self.length_of = MEASURES[form.of]
        self.is_wide = self.speaks is None or self.speaks.mean_btdc is None  # no common figure
        limits = {(each.earliest_btdc, each.nominal_btdc, each.latest_btdc) for each in self.now}
        self.limits_differ = len(limits) > 1
        means = [each.mean_btdc for each in of if each.mean_btdc is not None]
        self.side = "ATDC" if means and max(means) < 0 else "BTDC"

    def drawn(self, scale: Scale) -> str:
        """Draw the block: its figure and verdict, and a line for each cylinder."""
        side = _unless("BTDC", self.side)
        past = ""
        if len(self.phases) > 1:
            past = f'<th class="past">{ink(self.phases[0])}, °{side}</th>'
        columns = self._columns()
        what = (self.setting, self.phases[-1], KINDS.get(self.kind, ""),
                MARKS[Mark.ONE_TURN_OUT] * self.turn_out)  # fmt: skip
        said = ", ".join(filter(None, what))
        rows = "".join(self._row(each, scale, columns) for each in self.now)
        sort = " wide" * self.is_wide + " lesser" * (self.kind in KINDS)
        return (
            f'<div class="result{sort}"><div class="head"><p class="unit">{ink(self.unit)}'
            f"<small>{ink(said)}</small></p>{self._headline()}</div>"
            f'<div class="scroll"><table class="rows"><thead><tr><th>cyl.</th><th class="drawn">'
            f'{scale_row(scale)}</th>{past}<th class="right">mean ± U, °{side}'
            '</th><th class="right">n</th><th class="right">s, °</th>'
            f"{''.join(f'<th>{name}</th>' for name in columns)}<th></th><th></th></tr></thead>"
            f"<tbody>{rows}</tbody></table>"
            f"{self._limits()}{self._notes(said)}</div></div>"
        )

    def _headline(self) -> str:
        """The figure that is looked at first, and its verdict."""
        of, found = self.speaks, self.found
        words, late, before, after = verdict_words(found), found.side == "late", "", ""
        if of is None or of.mean_btdc is None:
            after = "<p>each cylinder by its own figure</p>"
            if of is not None and of.groups:
                words, after = of.words, "<p>no figure: readings in groups</p>"
        else:
            words = words if of.kind == "turned" else of.words
            if Mark.STROKE_NOT_ENTERED in of.marks and MARKS[Mark.STROKE_NOT_ENTERED] not in words:
                words += f", {MARKS[Mark.STROKE_NOT_ENTERED]}"
            late = late if found.side else _late(of)
            digits, side = opening(of.mean_btdc, of.U_deg)
            within = "one reading" if of.U_deg is None else f"± {two_figures(of.U_deg)}°"
            before = f'<p class="figure">{digits}°<small> {side}</small></p><p>{within}</p>'
            if manual := self._in_measure(of):
                before += f"<p>{manual} {self.length} {self.length_of}</p>"
        return f'{before}<p class="verdict">{mark(found.verdict, late)}{ink(words)}</p>{after}'

    def _columns(self) -> dict[str, Mapping[int | None, str]]:
        """Further columns, by their heads: the windows where the cylinders' differ, and the
        openings in the measure of the manual."""
        found: dict[str, Mapping[int | None, str]] = {}
        if self.limits_differ:
            found["nominal (window), °"] = {each.cylinder: _own_window(each) for each in self.now}
        own = {each.cylinder: self._in_measure(each) for each in self.now}
        if any(own.values()):
            found[f"{self.length_of}, {self.length}"] = own
        return found

    def _row(
        self, of: RecordedAssessment, scale: Scale, columns: dict[str, Mapping[int | None, str]]
    ) -> str:
        lanes, past = [], ""
        zero = _middle(of) if scale.from_nominal else 0.0
        by_phase = {each.phase: each for each in reversed(self.of) if each.cylinder == of.cylinder}
        for phase in self.phases:
            if (one := by_phase.get(phase)) is None:
                continue
            is_past = phase != self.phases[-1]
            lanes.append(Lane.of(one, self.read(one), past=is_past, zero_deg=zero))
            if is_past:
                past = f"{self._mean(one)} {mark(one.verdict, _late(one))}"
        window = None
        if of.earliest_btdc is not None and of.latest_btdc is not None and of.kind != "impulse":
            window = (of.earliest_btdc - zero, _middle(of) - zero, of.latest_btdc - zero)
        name = cylinder(of, self.several)
        label = escape(f"cylinder {cylinder(of)}: {visible(of.words)}")
        sd = "" if of.sd_deg is None else scatter(of.sd_deg)
        cells = [
            f'<td>{name}</td><td class="drawn">{row(scale, window, lanes, label, len(self.now))}',
            *([f'<td class="past">{past}'] if len(self.phases) > 1 else []),
            f'<td class="right">{self._mean(of)}</td><td class="right">{of.n}',
            f'<td class="right">{sd}{" !" if of.spread_verdict == "outside" else ""}',
            *(f"<td>{ink(each.get(of.cylinder, ''))}" for each in columns.values()),
            f'<td class="sign-of">{mark(of.verdict, _late(of))}',
            f'<td class="words{"" if of.groups else " short"}">{ink(_short(of))}',
        ]
        sort = ' class="all"' if name == "all" else ""
        return f"<tr{sort}>{''.join(f'{each}</td>' for each in cells)}</tr>"

    def _mean(self, of: RecordedAssessment) -> str:
        """ "36.12 ± 0.13"; with its side of top dead centre where it is not that of the block."""
        if of.mean_btdc is None:
            return "no mean"
        digits, side = opening(of.mean_btdc, of.U_deg)
        return f"{digits}{_within(of.U_deg)}{_unless(self.side, side)}"

    def read(self, of: RecordedAssessment) -> list[float]:
        """The readings of an assessment; none for the mean over cylinders: each has its own row."""
        if of.cylinder is None and self.several:
            return []
        key = (of.unit, of.setting, of.cylinder, of.phase, of.kind, self.turn_out)
        return [
            angle
            for g in self.whole.readings
            if (g.unit, g.setting, g.cylinder, g.phase, g.kind, g.wrong_stroke) == key
            for angle in g.btdc_deg
            if angle is not None
        ]

    def _in_measure(self, of: RecordedAssessment) -> str:
        """A mean in the manual's measure with its U, rounded to what a person reads."""
        at = self._measured(of.mean_btdc, of)
        if at is None or of.mean_btdc is None:
            return ""
        decimals, U, after = DECIMALS[self.length], of.U_deg, " ATDC" if at < 0.0 else ""
        if U is None:
            return figure(abs(at), decimals=decimals) + after
        ends = [self._measured(of.mean_btdc + side * U, of) for side in (-1, 1)]
        within = max([abs(end - at) for end in ends if end is not None], default=0.0)
        decimals -= within >= 10.0 ** (1 - decimals)
        return f"{figure(abs(at), decimals=decimals)} ± {figure(within, decimals=decimals)}{after}"

    def _measured(self, btdc_deg: float | None, of: RecordedAssessment) -> float | None:
        if btdc_deg is None:
            return None
        return measured(btdc_deg, self.measure, self.whole.stated.engine, of.cylinder or 1)

    def _limits(self) -> str:
        """The limits that no column has, with their source, and how far cylinders differ."""
        said, of, stated = [], self.speaks, self.stated
        if of is not None and of.mean_btdc is not None:
            if of.earliest_btdc is not None and of.latest_btdc is not None and of.kind != "impulse":
                shown = btdc if self.measure else entered_btdc
                early, late = shown(of.earliest_btdc), shown(of.latest_btdc)
                if early[-4:] == late[-4:]:
                    early = early[:-5]
                nominal = "" if of.nominal_btdc is None else f"nominal {shown(of.nominal_btdc)}, "
                nominal = nominal.replace(late[-5:], "")
                said.append(f"{nominal}window&nbsp;{early} to&nbsp;{late}")
            said.append(self._limits_in_measure(of) if of.kind == "turned" else "")
            means = [
                e.mean_btdc for e in self.now if e.cylinder is not None and e.mean_btdc is not None
            ]
            if len(means) > 1:
                said.append(f"cylinders within {figure(max(means) - min(means), of.U_deg)}°")
        if stated is not None and self.kind == "turned":
            if stated.spread_limit_deg is not None:
                said.append(f"s at most {entered(stated.spread_limit_deg)}")
            windows = [*stated.per_cylinder.values(), *([stated.window] if stated.window else [])]
            said += [ink(s) for s in dict.fromkeys(w.source for w in windows if w.source)]
        text = "; ".join(filter(None, said))
        return f'<p class="note limits">{text}</p>' if text else ""

    def _limits_in_measure(self, of: RecordedAssessment) -> str:
        """Nominal and window in the manual's measure: "nominal 3.2 mm, window 3.4 to 3 mm"."""
        ends = []
        for each in (of.nominal_btdc, of.earliest_btdc, of.latest_btdc):
            if (at := self._measured(each, of)) is None:
                return ""
            digits = figure(abs(at), decimals=DECIMALS[self.length] + 1).rstrip("0").rstrip(".")
            ends.append(digits + " ATDC" * (at < 0.0))
        nominal, early, late = ends
        unit = self.length
        return f"{self.length_of}: nominal {nominal} {unit}, window {early} to {late} {unit}"

    def _notes(self, shown: str) -> str:
        """What would decide the verdict, and the marks of the figures that ``shown`` lacks."""
        notes: defaultdict[str, list[str]] = defaultdict(list)
        if of := next((each for each in self.now if each.settle), None):
            notes[of.settle].append(cylinder(of, self.several))
        for each in self.now:
            said = [MARKS[mark] for mark in each.marks]
            said.append(few_readings(each.uncertainty, each.n))
            said.append("s is above its limit (!)" * (each.spread_verdict == "outside"))
            for words in said:
                if words and words not in shown:
                    notes[words].append(cylinder(each, self.several))
        return "".join(
            f'<p class="note">{"" if len(whose) == len(self.now) else f"cyl. {listed(whose)}: "}'
            f"{ink(words)}</p>"
            for words, whose in notes.items()
        )


def _unless(usual: str, side: str) -> str:
    return "" if side == usual else f" {side}"


def _within(U_deg: float | None) -> str:
    return "" if U_deg is None else f" ± {two_figures(U_deg)}"


def _middle(of: RecordedAssessment) -> float:
    """A cylinder's nominal, else the middle of its window; 0 without one."""
    if of.nominal_btdc is not None:
        return of.nominal_btdc
    if of.earliest_btdc is None or of.latest_btdc is None:
        return 0.0
    return (of.earliest_btdc + of.latest_btdc) / 2


def _late(of: RecordedAssessment) -> bool:
    """Whether the mean lies on the late side of the middle of its window."""
    if of.mean_btdc is None or of.earliest_btdc is None or of.latest_btdc is None:
        return False
    return of.mean_btdc < (of.earliest_btdc + of.latest_btdc) / 2


def _scale(blocks: Sequence[_Block]) -> Scale:
    """The scale of all blocks of one setting and kind; from each cylinder's own nominal where these
    differ, so that the windows lie below one another."""
    every = [(block, of) for block in blocks for of in block.of]
    windows = all(of.earliest_btdc is not None for _, of in every)
    from_nominal = windows and any(block.limits_differ for block in blocks)
    angles: list[float] = []
    for block, of in every:
        found: list[float | None] = [*block.read(of)]
        if of.kind != "impulse":
            found += [of.earliest_btdc, of.latest_btdc]
        if of.mean_btdc is not None:
            U = of.U_deg or 0.0
            found += [of.mean_btdc - U, of.mean_btdc + U]
        zero = _middle(of) if from_nominal else 0.0
        angles += [each - zero for each in found if each is not None]
    wide = all(block.is_wide for block in blocks)
    # Millimetres that other columns need; "inconclusive, 94 % inside" is a long word.
    others = 14.0 * any(len(block.phases) > 1 for block in blocks)
    others += 16.0 * any(bool(block.measure) for block in blocks)
    others += 18.0 * (not wide and any(
        each.verdict == "inconclusive" for block in blocks for each in block.now
    ))  # fmt: skip
    return Scale(*reach(angles), ((51.0 if wide else 56.0) - others) * MM, from_nominal)


def _own_window(of: RecordedAssessment) -> str:
    if of.earliest_btdc is None or of.latest_btdc is None:
        return ""
    ends = f"({entered(of.earliest_btdc)} to {entered(of.latest_btdc)})"
    nominal = "" if of.nominal_btdc is None else entered(of.nominal_btdc)
    return f"{nominal} {ends}".replace("°", "").strip()


def _short(of: RecordedAssessment) -> str:
    """A row's verdict in a word or two; how far out when it is outside."""
    if of.groups:
        return of.words.removeprefix("no mean, ")
    if of.kind in KINDS:  # it has no verdict, though its setting may have a window
        return {"impulse": "trip", "set": "as set"}[of.kind]
    if of.verdict == "inconclusive" and of.probability_inside is not None:
        return f"inconclusive, {percent(of.probability_inside)} inside"
    return verdict_words(verdict_over([of])) if of.verdict == "outside" else of.verdict


def comparison(certificate: Certificate) -> str:
    """Draw the comparisons: a table for each pair, with a line for each setting and phase."""
    pairs: defaultdict[tuple[str, str], list[str]] = defaultdict(list)
    for (first, second, *what), of in by_line(certificate.comparisons).items():
        pairs[first, second].append(_compared(", ".join(filter(None, what)), of))
    drawn = ""
    for pair, lines in pairs.items():
        stated = certificate.stated.synchronism
        sources = [s.source for s in stated if (s.first, s.second) == pair and s.source]
        source = f"<small>window by {ink(sources[0])}</small>" if sources else ""
        drawn += (
            f'<div class="block"><h3>{ink(pair[0])} earlier than {ink(pair[1])} by{source}</h3>'
            '<table class="plain"><thead><tr><th></th>'
            '<th class="right">over all, °</th><th>each cylinder, °</th>'
            '<th class="nowrap">window, °</th>'
            f'<th colspan="2"></th></tr></thead><tbody>{"".join(lines)}</tbody></table>'
            "</div>"
        )
    return drawn


def _compared(what: str, of: Sequence[Comparison]) -> str:
    speaks, worst = of[0], worst_verdict(of)
    own = [each for each in of if each.cylinder is not None]
    over_all = window = ""
    if speaks.cylinder is None:
        over_all = difference(speaks.difference_deg, speaks.U_deg) + _within(speaks.U_deg)
    cylinders = " · ".join(
        f"<b>{each.cylinder}</b>&nbsp;{difference(each.difference_deg, each.U_deg)}" for each in own
    )
    if speaks.wanted_deg is not None and speaks.tolerance_deg is not None:
        window = f"{entered(speaks.wanted_deg)} ± {entered(speaks.tolerance_deg)}".replace("°", "")
    likely = ", ".join(
        f"{cylinder(each)}&nbsp;{percent(each.probability_inside)}"
        for each in of
        if each.verdict == "inconclusive" and each.probability_inside is not None
    )
    said = worst if speaks.verdict == worst else worst + of_cylinders(own, worst)
    if likely:
        said = f"{said}; " if worst != "inconclusive" else ""
        said += f"inconclusive: cyl. {likely} inside"
    late = speaks.difference_deg < (speaks.wanted_deg or 0.0)
    short = ' class="nowrap"' if len(own) < 6 else ""
    return (
        f'<tr><td>{ink(what)}</td><td class="right">{over_all}</td><td{short}>{cylinders}</td>'
        f'<td class="nowrap">{window}</td>'
        f'<td class="sign-of">{mark(worst, late)}</td><td class="said">{said}</td></tr>'
    )


def adjustments(certificate: Certificate) -> str:
    """Draw what was adjusted on the job: what was done, predicted of each unit, and read since."""
    return "".join(map(_adjusted, certificate.adjustments))


def _adjusted(made: MadeAdjustment) -> str:
    steps = "".join(f"<li>{ink(step)}</li>" for step in made.steps or (made.words,))
    whole = [each for each in made.predictions if each.cylinder is None]
    return (
        f'<div class="block"><h3>Adjusted on this job, {ink(utc_shown(made.made_utc)[:10])}</h3>'
        f'<ul class="steps">{steps}</ul><table class="plain"><thead><tr>'
        '<th>degrees BTDC</th><th>cyl.</th><th class="right">before</th>'
        '<th class="right">predicted ± U</th><th class="right">read since</th><th></th></tr>'
        f"</thead><tbody>{''.join(map(_prediction, whole or made.predictions))}</tbody></table>"
        "</div>"
    )


def _prediction(of: PredictedOpening) -> str:
    U = of.expanded_deg
    at = ((of.before_btdc, U), (of.predicted_btdc, U), (of.read_btdc, of.within_deg))
    before, after, read = (
        "" if each is None else " ".join(opening(each, within)).removesuffix(" BTDC")
        for each, within in at
    )
    return (
        f'<tr><td class="nowrap">{ink(f"{of.unit}, {of.setting}")}</td><td>{cylinder(of)}</td>'
        f'<td class="right">{before}</td><td class="right">{after}{_within(U)}</td>'
        f'<td class="right">{read}</td><td class="said"><b>{ink(of.verdict or "not read since")}'
        "</b></td></tr>"
    )


def remarks(certificate: Certificate) -> str:
    """Draw what else the reader of the figures has to know: conditions, deviations, rejected."""
    changes = [f"{c.unit}: {c.words}" if c.unit else c.words for c in certificate.changes]
    items = (
        ("Conditions and checks", _sentences(certificate.conditions)),
        ("Changed since the last certificate", _sentences(changes)),
        ("Deviations", _sentences(certificate.deviations)),
        ("Readings", _tally(certificate)),
    )
    rows = "".join(f"<dt>{name}</dt><dd>{text}</dd>" for name, text in items if text)
    return f'<dl class="pairs remarks">{rows}</dl>'


def _sentences(texts: Iterable[str]) -> str:
    return "; ".join(ink(each.rstrip(".")) for each in texts)


def _tally(certificate: Certificate) -> str:
    valid = sum(len(each.t_s) for each in certificate.readings)
    reasons: Counter[str] = Counter()
    for each in certificate.not_counted:
        # Figures within a reason ("12.4 of 20 degrees") would make each of them its own.
        reasons[re.sub(r"\d[\d.]*", "…", visible(each.why))] += each.n
    if not reasons:
        return f"{valid}, all valid."
    most = sorted(reasons.items(), key=lambda item: (-item[1], item[0]))
    said = [f"{ink(why)} ({n})" for why, n in most[:6]]
    if rest := sum(n for _, n in most[6:]):
        said.append(f"other reasons ({rest})")
    return f"{valid} valid; {reasons.total()} rejected: {'; '.join(said)}."
