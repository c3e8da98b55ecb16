"""Two certificates, or two captures, against each other."""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from rig.base import rounding
from rig.base.errors import InputError
from rig.certificate import record
from rig.cli.output import Answer, Command, job_results, open_job, table_lines, tell
from rig.cli.results import verdict_status
from rig.engine.profile import Profile
from rig.history.before_after import Pair, Side, Wanted, change_of, groups, pairs, same_reference
from rig.timing.values import PHASES, Assessment
from rig.words.assessments import assessment_in_full, few_readings


def run(args: argparse.Namespace) -> Answer:
    """Two certificates, or two captures, against each other: before and after, spare
    and original, last year and today.

    Units are matched by serial number if both state it, else by name; figures of the
    same setting and cylinder are compared. How the earlier one left a unit is
    compared with how the later one found it and left it. For two units within one
    capture see rig results and the certificate.

    Exit status 1: a difference is outside its tolerance.
    """
    first, second = _side(args, args.first), _side(args, args.second)
    wanted = Wanted(
        (args.unit, args.with_unit), (args.phase, args.with_phase), args.unit_serial,
        args.setting, args.nominal_deg, args.within_deg,
    )  # fmt: skip
    found = pairs(first, second, wanted)
    if not found:
        raise InputError(
            "the two have no unit, setting and cylinder in common that was read in both;"
            " name units with --unit and --with-unit"
        )
    same = same_reference(first, second)
    if same:
        tell(args, "both use the same TDC, which cancels in the difference")
    shown = groups(found, all_phases=bool(args.phase or args.with_phase))
    changes = [change_of(group) for group in shown]
    lines = [f"{each['words']}." for each in changes]
    for group, each in zip(shown, changes, strict=True):
        lines += ["", *_table(group, each)]
    comparisons = [each.found for each in found]
    figures = {"same_reference": same, "summary": changes, "comparisons": comparisons}
    return Answer(figures, lines, verdict_status([], comparisons))


def _side(args: argparse.Namespace, path: Path) -> Side:
    if path.suffix == ".capture":
        job = open_job(args, args.job or path.absolute().parent.parent)
        worked = job_results(args, job, [path])
        utc = worked.played[0].facts.start_utc
        return Side(path, utc, worked.reference, worked.assessments, _serials(job.profile))
    found = record.as_certificate(record.load(path))
    for one in found.judgements:
        if one.groups:
            tell(args, f"{path.name}: {one.unit}, {one.setting}: {assessment_in_full(one)}")
    serials = _serials(found.stated)
    return Side(path, found.measured_from_utc, found.reference, found.judgements, serials)


def _serials(profile: Profile) -> dict[str, str]:
    return {unit.name: unit.serial for unit in profile.units}


def _table(group: Sequence[Pair], of: Mapping[str, Any]) -> Iterator[str]:
    """Each cylinder of a group: before, now, the change with its U, and the verdict."""
    verdicts = {True: "changed", False: "the same", None: "?"}
    rows = [
        ["all" if pair.late.cylinder is None else str(pair.late.cylinder),
         _figure(pair.early), _figure(pair.late),
         rounding.difference(pair.change_deg, pair.found.U_deg),
         rounding.two_figures(pair.found.U_deg), verdicts[pair.changed],
         "" if pair.found.wanted_deg is None else pair.found.verdict]
        for pair in group
    ]  # fmt: skip
    before, now = f"{of['before_utc'][:10]} {of['phase_before']}", f"{of['utc'][:10]} {of['phase']}"
    heads = ["cyl.", before.strip(), now.strip(), "change, °", "U, °", "", ""]
    if not any(row[-1] for row in rows):
        for row in (heads, *rows):
            row.pop()
    name = ", ".join(filter(None, (f"{of['unit']} {of['serial']}".strip(), of["setting"])))
    yield f"{name}, degrees BTDC; + opens earlier than before"
    yield from table_lines(heads, rows, numeric={1, 2, 3, 4})
    for row, pair in zip(rows, group, strict=True):
        if why := few_readings(pair.found.uncertainty, 0):
            yield f"cylinder {row[0]}: {why}"


def _figure(of: Assessment) -> str:
    if of.mean_btdc is None:
        return "–"
    digits, side = rounding.opening(of.mean_btdc, of.U_deg)
    within = f" ±{rounding.two_figures(of.U_deg)}" if of.U_deg else ""
    return f"{digits}{within}{' ATDC' if side == 'ATDC' else ''}"


PHASE = f"{{{','.join(PHASES)}}}"
OPTIONS = f"""
first PATH             a certificate or a capture
second PATH            the other
--job FOLDER           the job of captures that are elsewhere
--unit NAME            only this unit of the first
--with-unit NAME       compare it with this unit of the second
--unit-serial SERIAL   the unit with this serial number in both
--setting NAME         only this setting
--phase {PHASE}        only this phase of the first
--with-phase {PHASE}   only this phase of the second
--nominal-deg DEG      nominal difference, first minus second
--within-deg DEG       tolerance of the difference
"""
COMMANDS = {"compare": Command(run, OPTIONS)}
