"""Two certificates against each other: before and after, spare and original, last year and today.

Units are matched by serial number where both state it, else by name; figures of the same setting
and cylinder are compared. First a sentence on each, then the figures: the later against the earlier
one. How the earlier left it is set against how the later found it, and against how it left it.
Two units within one capture are compared by ``rig results`` and on the certificate.
"""

from __future__ import annotations

import argparse
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from rig.base import rounding
from rig.base.errors import InputError
from rig.base.escape import message
from rig.certificate import record as certificate
from rig.cli.output import figures, json_option, table_lines, verdict_status
from rig.engine.profile import Profile
from rig.job.folder import Job
from rig.job.results import work_job
from rig.tdc.reference import TdcReference
from rig.timing.compare import compare_assessments, has_changed
from rig.timing.values import PHASES, Assessment, Comparison
from rig.words.assessments import assessment_in_full, few_readings
from rig.words.diagnostics import remarks_on

WIDTH = 80


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``rig compare``."""
    parser.add_argument("first", type=Path, help="a certificate or a capture")
    parser.add_argument("second", type=Path, help="the other")
    parser.add_argument("--job", type=Path, help="the job of captures that lie elsewhere")
    parser.add_argument("--unit", help="this unit of the first (default: each with its like)")
    parser.add_argument("--with-unit", help="against this unit of the second")
    parser.add_argument("--unit-serial", help="the unit of this serial number in both")
    parser.add_argument("--setting", help="this setting alone")
    parser.add_argument("--phase", choices=PHASES, help="this phase of the first")
    parser.add_argument("--with-phase", choices=PHASES, help="against this phase of the second")
    parser.add_argument("--nominal-deg", type=float, help="nominal difference, first minus second")
    parser.add_argument("--within-deg", type=float, help="tolerance of the difference")
    json_option(parser)


@dataclass(frozen=True, slots=True)
class _Side:
    """One of the two: its figures, and what tells its units apart."""

    path: Path
    utc: str
    reference: TdcReference | None
    assessments: tuple[Assessment, ...]
    serials: dict[str, str]  # unit -> serial number, "" where it is not stated

    def name(self, of: Assessment) -> str:
        """Unit, serial, file and phase, as comparisons name their sides."""
        serial = f" {self.serials.get(of.unit, '')}".rstrip()
        return f"{of.unit}{serial} ({self.path.stem}, {of.phase})"


@dataclass(frozen=True, slots=True)
class _Pair:
    """A comparison with the two figures that it is of."""

    one: Assessment
    other: Assessment
    found: Comparison


@dataclass(frozen=True, slots=True)
class Said:
    """A unit in one setting, the later against the earlier: ``change_deg`` positive when it opens
    earlier than before. ``changed`` is None where a figure has no uncertainty."""

    unit: str
    serial: str
    against: str  # the unit and serial of the earlier one, where they are others
    setting: str
    cylinder: int | None
    phase: str
    phase_before: str
    utc: str
    before_utc: str
    change_deg: float
    U_deg: float | None
    changed: bool | None
    words: str


def run(args: argparse.Namespace) -> int:
    """Print the differences; 1 when one is outside its tolerance."""
    first, second = _figures(args.first, args.job), _figures(args.second, args.job)
    same = first.reference is not None and first.reference == second.reference
    pairs = [
        _Pair(one, other, compare_assessments(
            one, other, shared_reference=same,
            wanted_deg=args.nominal_deg, tolerance_deg=args.within_deg,
            first_name=first.name(one), second_name=second.name(other),
        ))
        for one in first.assessments
        for other in second.assessments
        if _comparable(one, other, first, second, args)
    ]  # fmt: skip
    if not pairs:
        raise InputError(
            "the two have no unit, setting and cylinder in common that was read in both;"
            " name units with --unit and --with-unit"
        )
    if same:
        message("rig compare: both rest on the same reference, which drops out of the difference")
    found = [each.found for each in pairs]
    groups = _groups(pairs, first, second, chosen=args.phase or args.with_phase)
    ways = [_is_turned(group[0], first, second) for group in groups]
    said = [
        _said(group, first, second, turned=way) for group, way in zip(groups, ways, strict=True)
    ]
    lines = [line for each in said for line in textwrap.wrap(f"{each.words}.", WIDTH)]
    for group, each, way in zip(groups, said, ways, strict=True):
        lines += ["", *_table(group, each, turned=way)]
    answer = {"same_reference": same, "summary": said, "comparisons": found}
    figures(args, answer, lines)
    return verdict_status([], found)


def _comparable(
    one: Assessment, other: Assessment, first: _Side, second: _Side, args: argparse.Namespace
) -> bool:
    if args.setting not in (None, one.setting):
        return False
    if args.phase not in (None, one.phase) or args.with_phase not in (None, other.phase):
        return False
    return (
        _is_like(one.unit, other.unit, first, second, args)
        and (one.setting, one.cylinder, one.kind) == (other.setting, other.cylinder, other.kind)
        and one.uncertainty is not None
        and other.uncertainty is not None
    )


def _is_like(one: str, other: str, first: _Side, second: _Side, args: argparse.Namespace) -> bool:
    """Whether two units are to be compared: as asked for, by their serials, else by their names."""
    serials = first.serials.get(one, ""), second.serials.get(other, "")
    if args.unit_serial:
        return serials == (args.unit_serial, args.unit_serial)
    if args.unit or args.with_unit:
        return (one, other) == (args.unit or args.with_unit, args.with_unit or args.unit)
    elsewhere = serials[0] and serials[0] in second.serials.values()
    came = serials[1] and serials[1] in first.serials.values()
    return serials[0] == serials[1] if elsewhere or came else one == other


def _is_later(first: _Side, second: _Side) -> bool:
    """Whether the first is the later one."""
    return first.utc > second.utc


def _is_turned(pair: _Pair, first: _Side, second: _Side) -> bool:
    """Whether the first of a pair is the later one: by its visit, within one by its phase."""
    if first.utc != second.utc:
        return _is_later(first, second)
    one, other = (PHASES.index(p) if p in PHASES else 0 for p in (pair.one.phase, pair.other.phase))
    return one > other


def _groups(
    pairs: Sequence[_Pair], first: _Side, second: _Side, *, chosen: str | None
) -> list[list[_Pair]]:
    """The comparisons that are shown, by unit, setting and phases; over all cylinders first.

    Of two visits: how the earlier left a unit against how the later found it and how it left it. Of
    one and the same: as found against as left. All of them where phases were ``chosen``.
    """
    groups: dict[tuple[str, ...], list[_Pair]] = {}
    for pair in pairs:
        one, other = pair.one, pair.other
        key: tuple[str, ...] = (one.unit, other.unit, one.setting, one.kind, one.phase, other.phase)
        groups.setdefault(key, []).append(pair)
    shown = []
    for key, group in groups.items():
        beside = [each[4:] for each in groups if each[:4] == key[:4]]
        if chosen or _is_shown(key[4:], beside, first, second):
            shown.append(sorted(group, key=lambda each: each.one.cylinder or 0))
    return shown or list(groups.values())


def _is_shown(
    phases: Sequence[str], every: Sequence[Sequence[str]], first: _Side, second: _Side
) -> bool:
    nth = [[PHASES.index(p) if p in PHASES else 0 for p in each] for each in every]
    mine = [PHASES.index(p) if p in PHASES else 0 for p in phases]
    if first.utc == second.utc and first.serials == second.serials:  # one visit
        if len({tuple(each) for each in nth}) == 1:
            return True
        return mine == [max(n[0] for n in nth), min(n[1] for n in nth)]
    early, late = (1, 0) if _is_later(first, second) else (0, 1)
    if mine[early] != max(n[early] for n in nth):
        return False
    return mine[late] in (min(n[late] for n in nth), max(n[late] for n in nth))


def _said(group: Sequence[_Pair], first: _Side, second: _Side, *, turned: bool) -> Said:
    """The sentence on a unit in one setting, by the figure over all cylinders or the first."""
    pair = group[0]
    late, early = (pair.one, pair.other) if turned else (pair.other, pair.one)
    sides = (first, second) if turned else (second, first)
    change = pair.found.difference_deg * (1.0 if turned else -1.0)
    U = pair.found.uncertainty.U_deg if pair.found.uncertainty else None
    changed = has_changed(pair.found)
    serials = [side.serials.get(of.unit, "") for side, of in zip(sides, (late, early), strict=True)]
    other = (early.unit, serials[1]) != (late.unit, serials[0])
    against = f"{early.unit} {serials[1]}".strip() if other else ""
    size = rounding.size(change, U)
    way = "earlier" if change > 0.0 else "later"
    alike = float(size) == 0.0
    opens = "opens as" if alike else f"opens {size}° {way} than"
    when = f"on {sides[1].utc[:10]} ({early.phase})" if sides[1].utc else early.phase
    verdict = {True: "changed", False: "no change detected", None: "U is not known"}
    cylinder = "" if late.cylinder is None else f", cylinder {late.cylinder}"
    name = f"{late.unit} {serials[0]}".strip()
    words = f"{name}, {late.setting}{cylinder}, {late.phase}: "
    words += f"{opens} {against + ' ' if against else ''}{when}, U "
    words += f"{rounding.two_figures(U)}{'' if U is None else '°'}: {verdict[changed]}"
    own = [
        each.one.cylinder
        for each in group[1:]
        if has_changed(each.found) and each.one.cylinder is not None
    ]
    if own and not changed:
        words += f"; {rounding.noun(len(own), 'cylinder')} {rounding.listed(own)} changed"
    return Said(
        late.unit, serials[0], against, late.setting, late.cylinder, late.phase, early.phase,
        sides[0].utc, sides[1].utc, change, U, changed, words,
    )  # fmt: skip


def _table(group: Sequence[_Pair], said: Said, *, turned: bool) -> list[str]:
    """Each cylinder of a group: before, now, the change with its U, and the verdict."""
    rows: list[tuple[str, ...]] = []
    notes: list[str] = []
    for pair in group:
        late, early = (pair.one, pair.other) if turned else (pair.other, pair.one)
        change = pair.found.difference_deg * (1.0 if turned else -1.0)
        U = pair.found.uncertainty.U_deg if pair.found.uncertainty else None
        changed = {True: "changed", False: "the same", None: "?"}[has_changed(pair.found)]
        verdict = "" if pair.found.wanted_deg is None else pair.found.verdict
        cylinder = "all" if early.cylinder is None else str(early.cylinder)
        rows.append(
            (
                cylinder, _figure(early), _figure(late), rounding.difference(change, U),
                rounding.two_figures(U), changed, verdict,
            )
        )  # fmt: skip
        if why := few_readings(pair.found.uncertainty, 0):
            notes += textwrap.wrap(f"cylinder {cylinder}: {why}", WIDTH)
    heads = ["cyl.", f"{said.before_utc[:10]} {said.phase_before}".strip()]
    heads += [f"{said.utc[:10]} {said.phase}".strip(), "change, °", "U, °", "", ""]
    if not any(row[-1] for row in rows):
        heads, rows = heads[:-1], [row[:-1] for row in rows]
    name = ", ".join(filter(None, (f"{said.unit} {said.serial}".strip(), said.setting)))
    title = f"{name}, degrees BTDC; + opens earlier than before"
    return [title, *table_lines(heads, rows, numeric={1, 2, 3, 4}), *notes]


def _figure(of: Assessment) -> str:
    U = of.uncertainty.U_deg if of.uncertainty else None
    if of.mean_btdc is None:
        return "–"
    digits, side = rounding.opening(of.mean_btdc, U)
    within = f" ±{rounding.two_figures(U)}" if U else ""
    return f"{digits}{within}{' ATDC' if side == 'ATDC' else ''}"


def _figures(path: Path, job_folder: Path | None) -> _Side:
    if path.suffix == ".capture":
        job = Job(job_folder or path.absolute().parent.parent)
        worked = work_job(job, [path])
        for text in remarks_on(worked):
            message(f"rig compare: {text}")
        utc = worked.played[0].facts.start_utc
        return _Side(path, utc, worked.reference, tuple(worked.assessments), _serials(job.profile))
    found = certificate.as_certificate(certificate.load(path))
    for one in found.judgements:
        if one.groups:
            message(
                f"rig compare: {path.name}: {one.unit}, {one.setting}: {assessment_in_full(one)}"
            )
    return _Side(
        path, found.measured_from_utc, found.reference, found.judgements, _serials(found.stated)
    )


def _serials(profile: Profile) -> dict[str, str]:
    return {unit.name: unit.serial for unit in profile.units}
