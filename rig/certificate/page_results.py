"""The first sheet: what was found, one block for each unit, setting and kind of reading."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from html import escape

from rig.base.escape import ink, visible
from rig.base.rounding import (
    btdc,
    difference,
    entered_btdc,
    figure,
    listed,
    noun,
    opening,
    scatter,
    two_figures,
)
from rig.certificate.page_budget import KINDS, by_line, cylinder
from rig.certificate.schema import Certificate, RecordedAssessment
from rig.certificate.strips import MM, Scale, drawing_key, mark, row, scale_row
from rig.engine.windows import FORMS, measured
from rig.job.clock import utc_shown
from rig.job.results import MadeAdjustment, PredictedOpening
from rig.plots.axis import Lane, reach
from rig.timing.assess import WORST_FIRST, verdict_over
from rig.timing.values import ADJUSTING, PHASES, Assessment, Comparison, Mark, Verdict
from rig.words.assessments import MARKS, few_readings, verdict_words
from rig.words.figures import entered

MEASURES = {"travel": "piston drop", "tape": "round the rim", "rule": "across the rim"}
DECIMALS = {"mm": 2, "in": 3}  # of a length at most: nobody reads a gauge or a rule finer


def results(certificate: Certificate) -> str:
    """Draw the summary and all blocks, in the order of the judgements."""
    blocks: dict[tuple[str, str, str, bool], list[RecordedAssessment]] = {}
    for each in certificate.judgements:
        key = (each.unit, each.setting, each.kind, Mark.ONE_TURN_OUT in each.marks)
        blocks.setdefault(key, []).append(each)
    made = [_Block(*key, of, certificate) for key, of in blocks.items()]
    scales: dict[tuple[str, str], list[_Block]] = {}  # the same for all units, to compare by eye
    for block in made:
        scales.setdefault((block.setting, block.kind), []).append(block)
    drawn = (block.drawn(_scale(scales[block.setting, block.kind])) for block in made)
    return _summary(made, certificate.comparisons) + drawing_key() + "\n".join(drawn)


def _summary(blocks: Sequence[_Block], comparisons: Sequence[Comparison]) -> str:
    """The verdicts at one look, the worst first: each unit and setting as it was read last."""
    found: dict[Verdict, list[str]] = {}
    turned = [block for block in blocks if block.kind == "turned"]
    late = any(block.found.side == "late" for block in turned)
    for block in turned:
        found.setdefault(block.found.verdict, []).append(f"{block.unit}, {block.setting}")
    pairs: dict[tuple[str, str, str], list[Comparison]] = {}
    for pair in comparisons:
        pairs.setdefault((pair.first, pair.second, pair.setting), []).append(pair)
    for (first, second, setting), each in pairs.items():
        phases = [phase for phase in PHASES if any(one.phase == phase for one in each)]
        worst = _worst([one for one in each if not phases or one.phase == phases[-1]])
        if worst != "no window set":
            found.setdefault(worst, []).append(f"{first} with {second}, {setting}")
    rows = "".join(
        f'<p class="sum"><b>{mark(verdict, late)}{verdict}</b><span>{ink("; ".join(of))}</span></p>'
        for verdict in WORST_FIRST
        if (of := found.get(verdict))
    )
    return f'<div class="summary">{rows}</div>'


class _Block:
    """What was read of one unit in one setting in one way, against what is stated of it."""

    def __init__(
        self, unit: str, setting: str, kind: str, turn_out: bool, of: Sequence[RecordedAssessment],
        whole: Certificate,
    ) -> None:  # fmt: skip
        self.unit, self.setting, self.kind, self.turn_out = unit, setting, kind, turn_out
        self.of, self.whole = of, whole
        phases = {each.phase for each in of}
        if "as left" in phases:  # what was read while adjusting is then of no interest
            phases -= {ADJUSTING}
        self.phases = sorted(phases, key=lambda each: [*PHASES, each].index(each))
        self.now = [each for each in of if each.phase == self.phases[-1]]
        self.several = len(self.now) > 1
        over_all = [each for each in self.now if each.cylinder is None]
        speaks = over_all or ([] if self.several else self.now)
        self.speaks = speaks[0] if speaks else None  # for all of them
        self.found = verdict_over(self.now)
        named = (u.settings for u in whole.stated.units if u.name == unit)
        self.stated = next((each for own in named for each in own if each.name == setting), None)
        window = self.stated.window if self.stated is not None else None
        form = FORMS.get(window.measure) if window is not None else None
        self.measure = window.measure if window is not None and form and form.of else ""
        self.length, self.length_of = (
            (form.unit, MEASURES[form.of]) if form and form.of else ("",) * 2
        )
        self.is_wide = self.speaks is None or self.speaks.mean_btdc is None  # no common figure
        limits = {(each.earliest_btdc, each.nominal_btdc, each.latest_btdc) for each in self.now}
        self.limits_differ = len(limits) > 1
        means = [each.mean_btdc for each in of if each.mean_btdc is not None]
        self.side = "ATDC" if means and max(means) < 0 else "BTDC"

    def drawn(self, scale: Scale) -> str:
        """Draw the block: its figure and verdict, and a line for each cylinder."""
        past = ""
        if len(self.phases) > 1:
            past = f'<th class="past">{ink(self.phases[0])}, °{self._unusual(self.side)}</th>'
        columns = self._columns()
        what = [self.setting, self.phases[-1], KINDS.get(self.kind, "")]
        what += [MARKS[Mark.ONE_TURN_OUT]] * self.turn_out
        said = ", ".join(filter(None, what))
        rows = "".join(self._row(each, scale, columns) for each in self.now)
        sort = " wide" * self.is_wide + " lesser" * (self.kind in KINDS)
        return (
            f'<div class="result{sort}"><div class="head"><p class="unit">{ink(self.unit)}'
            f"<small>{ink(said)}</small></p>{self._headline()}</div>"
            f'<div class="scroll"><table class="rows"><thead><tr><th>cyl.</th><th class="drawn">'
            f'{scale_row(scale)}</th>{past}<th class="right">mean ± U, °{self._unusual(self.side)}'
            '</th><th class="right">n</th><th class="right">s, °</th>'
            f"{''.join(f'<th>{name}</th>' for name in columns)}<th></th><th></th></tr></thead>"
            f"<tbody>{rows}</tbody></table>"
            f"{self._limits()}{self._notes(said)}</div></div>"
        )

    def _unusual(self, side: str, usual: str = "BTDC") -> str:
        return "" if side == usual else f" {side}"

    def _headline(self) -> str:
        """The figure that is looked at first, and its verdict."""
        of = self.speaks
        if of is None or of.mean_btdc is None:
            words, why = verdict_words(self.found), "each cylinder by its own figure"
            if of is not None and of.groups:
                words, why = of.words, "no figure: readings in groups"
            return f"{_verdict(self.found.verdict, words, self.found.side == 'late')}<p>{why}</p>"
        digits, side = opening(of.mean_btdc, of.U_deg)
        within = "one reading" if of.U_deg is None else f"± {two_figures(of.U_deg)}°"
        words = verdict_words(self.found) if of.kind == "turned" else of.words
        if Mark.STROKE_NOT_ENTERED in of.marks and MARKS[Mark.STROKE_NOT_ENTERED] not in words:
            words += f", {MARKS[Mark.STROKE_NOT_ENTERED]}"
        late = self.found.side == "late" if self.found.side else _late(of)
        manual = self._in_measure(of)
        manual = f"<p>{manual} {self.length} {self.length_of}</p>" if manual else ""
        return (
            f'<p class="figure">{digits}°<small> {side}</small></p><p>{within}</p>'
            f"{manual}{_verdict(self.found.verdict, words, late)}"
        )

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
        zero = _zero(of) if scale.from_nominal else 0.0
        for phase in self.phases:
            one = next((j for j in self.of if (j.phase, j.cylinder) == (phase, of.cylinder)), None)
            if one is None:
                continue
            angles = [each - zero for each in self.read(one)]
            lane = Lane.of(one, angles, past=phase != self.phases[-1])
            if lane.mean_btdc is not None:
                lane = Lane(angles, lane.mean_btdc - zero, lane.U_deg, lane.past)
            lanes.append(lane)
            if lane.past:
                past = f"{self._mean(one)} {mark(one.verdict, _late(one))}"
        window = None
        if of.earliest_btdc is not None and of.latest_btdc is not None and of.kind != "impulse":
            window = (of.earliest_btdc - zero, _zero(of) - zero, of.latest_btdc - zero)
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
        return f"{digits}{_within(of.U_deg)}{self._unusual(side, self.side)}"

    def read(self, of: RecordedAssessment) -> list[float]:
        """The readings behind a judgement; none for the mean over cylinders: theirs stand below."""
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
        if btdc_deg is None or not self.measure:
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
        asked = (of.nominal_btdc, of.earliest_btdc, of.latest_btdc)
        at = [each for each in (self._measured(a, of) for a in asked) if each is not None]
        if len(at) < len(asked):
            return ""
        decimals = DECIMALS[self.length] + 1
        nominal, early, late = (
            figure(abs(each), decimals=decimals).rstrip("0").rstrip(".")
            + ("" if each >= 0.0 else " ATDC")
            for each in at
        )
        unit = self.length
        return f"{self.length_of}: nominal {nominal} {unit}, window {early} to {late} {unit}"

    def _notes(self, shown: str) -> str:
        """What would decide the verdict, and the marks of the figures that ``shown`` lacks."""
        notes: dict[str, list[str]] = {}
        if of := next((each for each in self.now if each.settle), None):
            notes[of.settle] = [cylinder(of, self.several)]
        for each in self.now:
            said = [MARKS[mark] for mark in each.marks]
            said.append(few_readings(each.uncertainty, each.n))
            if each.spread_verdict == "outside":
                said.append("s is above its limit (!)")
            for one in said:
                if one and one not in shown:
                    notes.setdefault(one, []).append(cylinder(each, self.several))
        return "".join(
            f'<p class="note">{"" if len(of) == len(self.now) else f"cyl. {listed(of)}: "}'
            f"{ink(words)}</p>"
            for words, of in notes.items()
        )


def _verdict(verdict: Verdict, words: str, late: bool) -> str:
    return f'<p class="verdict">{mark(verdict, late)}{ink(words)}</p>'


def _within(U_deg: float | None) -> str:
    return "" if U_deg is None else f" ± {two_figures(U_deg)}"


def _zero(of: RecordedAssessment) -> float:
    """A cylinder's nominal, else the middle of its window; 0 without one."""
    if of.nominal_btdc is not None:
        return of.nominal_btdc
    if of.earliest_btdc is None or of.latest_btdc is None:
        return 0.0
    return (of.earliest_btdc + of.latest_btdc) / 2


def _scale(blocks: Sequence[_Block]) -> Scale:
    """The scale of all blocks of one setting and kind; from each cylinder's own nominal where these
    differ, so that the windows lie below one another."""
    every = [each for block in blocks for each in block.of]
    windows = all(each.earliest_btdc is not None for each in every)
    from_nominal = windows and any(block.limits_differ for block in blocks)
    angles: list[float] = []
    for block in blocks:
        for of in block.of:
            zero = _zero(of) if from_nominal else 0.0
            found = block.read(of)
            if of.kind != "impulse":
                found += [x for x in (of.earliest_btdc, of.latest_btdc) if x is not None]
            if of.mean_btdc is not None:
                U = of.U_deg or 0.0
                found += [of.mean_btdc - U, of.mean_btdc + U]
            angles += [each - zero for each in found]
    narrow = 14.0 * any(len(block.phases) > 1 for block in blocks)
    narrow += 16.0 * any(bool(block.measure) for block in blocks)
    wide = all(block.is_wide for block in blocks)
    long = not wide and any(
        each.verdict == "inconclusive" for block in blocks for each in block.now
    )
    narrow += 18.0 * long  # "inconclusive, 94 % inside" is a long word
    return Scale(*reach(angles), ((51.0 if wide else 56.0) - narrow) * MM, from_nominal)


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
        return f"inconclusive, {_percent(of.probability_inside)} inside"
    return verdict_words(verdict_over([of])) if of.verdict == "outside" else of.verdict


def _percent(probability: float) -> str:
    """ "62 %", never nothing and never all."""
    percent = 100.0 * probability
    return "under 1 %" if percent < 1.0 else "over 99 %" if percent > 99.0 else f"{percent:.0f} %"


def _late(of: RecordedAssessment) -> bool:
    """Whether the mean lies on the late side of the middle of its window."""
    if of.mean_btdc is None or of.earliest_btdc is None or of.latest_btdc is None:
        return False
    return of.mean_btdc < (of.earliest_btdc + of.latest_btdc) / 2


def _worst(of: Iterable[Comparison]) -> Verdict:
    return min((each.verdict for each in of), key=WORST_FIRST.index)


def of_cylinders(own: Sequence[Assessment | Comparison], verdict: Verdict) -> str:
    """The cylinders among ``own`` that have ``verdict``: ": cylinders 2 and 4"."""
    named = [each.cylinder for each in own if each.verdict == verdict]
    return f": {noun(len(named), 'cylinder')} {listed(named)}" if named else ""


def comparison(certificate: Certificate) -> str:
    """Draw the comparisons: a table for each pair, with a line for each setting and phase."""
    pairs: dict[tuple[str, str], list[str]] = {}
    for (first, second, *what), of in by_line(certificate.comparisons).items():
        pairs.setdefault((first, second), []).append(_compared(", ".join(filter(None, what)), of))
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
    speaks, worst = of[0], _worst(of)
    own = [each for each in of if each.cylinder is not None]
    over_all = ""
    if speaks.cylinder is None:
        over_all = difference(speaks.difference_deg, speaks.U_deg) + _within(speaks.U_deg)
    cylinders = " · ".join(
        f"<b>{each.cylinder}</b>&nbsp;{difference(each.difference_deg, each.U_deg)}" for each in own
    )
    window = ""
    if speaks.wanted_deg is not None and speaks.tolerance_deg is not None:
        window = f"{entered(speaks.wanted_deg)} ± {entered(speaks.tolerance_deg)}".replace("°", "")
    likely = ", ".join(
        f"{cylinder(each)}&nbsp;{_percent(each.probability_inside)}"
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
    return "".join(_adjusted(each) for each in certificate.adjustments)


def _adjusted(made: MadeAdjustment) -> str:
    steps = "".join(f"<li>{ink(step)}</li>" for step in made.steps or (made.words,))
    whole = [each for each in made.predictions if each.cylinder is None]
    rows = "".join(_prediction(each) for each in whole or made.predictions)
    return (
        f'<div class="block"><h3>Adjusted on this job, {ink(utc_shown(made.made_utc)[:10])}</h3>'
        f'<ul class="steps">{steps}</ul><table class="plain"><thead><tr>'
        '<th>degrees BTDC</th><th>cyl.</th><th class="right">before</th>'
        '<th class="right">predicted ± U</th><th class="right">read since</th><th></th></tr>'
        f"</thead><tbody>{rows}</tbody></table></div>"
    )


def _prediction(of: PredictedOpening) -> str:
    U = 2.0 * of.u_deg
    before, after = (_opening(each, U) for each in (of.before_btdc, of.predicted_btdc))
    read = "" if of.read_btdc is None else _opening(of.read_btdc, of.within_deg)
    return (
        f'<tr><td class="nowrap">{ink(f"{of.unit}, {of.setting}")}</td><td>{cylinder(of)}</td>'
        f'<td class="right">{before}</td><td class="right">{after}{_within(U)}</td>'
        f'<td class="right">{read}</td><td class="said"><b>{ink(of.verdict or "not read since")}'
        "</b></td></tr>"
    )


def _opening(btdc_deg: float, U_deg: float | None) -> str:
    digits, side = opening(btdc_deg, U_deg)
    return digits if side == "BTDC" else f"{digits} {side}"


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
    reasons: dict[str, int] = {}
    for each in certificate.not_counted:
        # Figures within a reason ("12.4 of 20 degrees") would make each of them its own.
        plain = re.sub(r"\d[\d.]*", "…", visible(each.why))
        reasons[plain] = reasons.get(plain, 0) + each.n
    if not reasons:
        return f"{valid}, all valid."
    most = sorted(reasons.items(), key=lambda item: (-item[1], item[0]))
    said = [f"{ink(why)} ({n})" for why, n in most[:6]]
    if rest := sum(n for _, n in most[6:]):
        said.append(f"other reasons ({rest})")
    return f"{valid} valid; {sum(reasons.values())} rejected: {'; '.join(said)}."
