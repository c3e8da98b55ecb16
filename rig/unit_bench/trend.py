"""The reports of one unit off the engine in order: its results over the years, and drift.

Units are distinguished by type and serial; without a serial a unit cannot be followed. A change
noted in a report, or in a certificate of its engine in between, is a step.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

from rig.base import rounding
from rig.base.errors import InputError
from rig.base.escape import LONGEST_TROUBLE, visible
from rig.base.files import gathered, listed, named
from rig.base.uncertainty import Contribution, Source
from rig.job import folder as sheets
from rig.job.clock import utc_instant
from rig.timing.drift import LEAST_DEG, MOST_DEG, DatedChange, DatedMean, Line, fit
from rig.unit_bench.compare import Result, means_of
from rig.unit_bench.report import FOLDER, KIND, Mean
from rig.words.assessments import CAUTION, few_points


@dataclass(frozen=True, slots=True)
class DatedReport:
    """One report. ``means`` are its results, degrees of the unit's shaft."""

    file: str
    made_utc: str
    type: str
    serial: str
    name: str  # in the engine file; "" without one
    counted_as: tuple[int, int]  # lobes, and poles of its magnet (0: not entered)
    means: Mapping[Result, Mean]
    changes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class UnitPoint:
    """A result in one report; ``U_deg`` at about 95 %. ``step`` says why its level is new.

    A single reading has no weight: no line goes through it.
    """

    file: str
    made_utc: str
    deg: float
    U_deg: float
    step: str
    weighs: bool


@dataclass(frozen=True, slots=True)
class UnitSeries:
    """One result of one unit over the years. ``line`` is None with too few points."""

    type: str
    serial: str
    figure: str
    points: tuple[UnitPoint, ...]
    line: Line | None
    words: str


def read(folder: Path, troubles: list[str]) -> list[DatedReport]:
    """The reports in a job, or in all jobs of a folder, in order of time.

    Those that cannot be used are reported in ``troubles``.
    """
    found = []
    listing = gathered(folder, lambda job: listed(job / FOLDER, ".json"))
    said = [each.words for each in listing.left]
    for path in listing.files:
        try:
            found.append(_dated(path, sheets.read(path, KIND)))
        except InputError as why:
            said.append(f"left out: {named(path)}: {str(why).removeprefix(f'{path}: ')}")
        except (KeyError, TypeError, ValueError, OverflowError) as why:
            said.append(f"left out: {named(path)}: it is incomplete: {why}")
    troubles += [visible(each, LONGEST_TROUBLE) for each in said]
    return sorted(found, key=lambda each: each.made_utc)


def _dated(path: Path, plain: Mapping[str, Any]) -> DatedReport:
    unit, made_utc = plain["unit"], str(plain["made_utc"])
    utc_instant(made_utc)
    means = dict(means_of(plain["found"]))
    if not all(LEAST_DEG <= mean.u_deg <= MOST_DEG for mean in means.values()):
        raise ValueError(f"an uncertainty of zero, or over {MOST_DEG:g}°")
    return DatedReport(
        file=str(path),
        made_utc=made_utc,
        type=visible(str(unit["type"])),
        serial=visible(str(unit["serial"])),
        name=str(unit.get("name", "")),
        counted_as=(int(unit["lobes"]), int(unit.get("poles") or 0)),
        means=means,
        changes=tuple(visible(str(each)) for each in plain.get("changes", ())),
    )


def series(reports: Sequence[DatedReport], changes: Iterable[DatedChange] = ()) -> list[UnitSeries]:
    """Each result of each unit with a serial, its line fitted through the reports.

    ``changes`` are those on the certificates of its engine: one that names the unit, or all, is a
    step of the next report. After a change of lobes or poles, results are counted differently and
    make a series of their own.
    """
    units: defaultdict[object, list[DatedReport]] = defaultdict(list)
    for report in reports:
        if report.serial:
            units[report.type, report.serial, report.counted_as].append(report)
    on_engine = list(changes)
    return [
        _series(own, _steps(own, on_engine), of)
        for own in units.values()
        for of in dict.fromkeys(each for report in own for each in report.means)
    ]


def _steps(reports: Sequence[DatedReport], on_engine: Sequence[DatedChange]) -> list[str]:
    """What was changed before each report since the one before."""
    steps = [""]
    for before, report in pairwise(reports):
        since, until = utc_instant(before.made_utc), utc_instant(report.made_utc)
        between = [
            each.words
            for each in on_engine
            if each.unit in ("", report.name) and since < utc_instant(each.measured_utc) <= until
        ]
        steps.append("; ".join(dict.fromkeys([*between, *report.changes])))
    return steps


def _series(reports: Sequence[DatedReport], steps: Sequence[str], of: Result) -> UnitSeries:
    points, dated = [], []
    level = 0
    for report, step in zip(reports, steps, strict=True):
        level += bool(step)
        if (mean := report.means.get(of)) is None:
            continue
        weighs = mean.n > 1
        points.append(
            UnitPoint(report.file, report.made_utc, mean.deg, mean.expanded_deg, step, weighs)
        )
        if weighs:
            own = (Contribution(Source.REPEATABILITY, mean.u_deg, mean.nu, "A", "as reported"),)
            day = utc_instant(report.made_utc).timestamp() / 86400.0
            dated.append(DatedMean(day, mean.deg, own, level, report.file, mean.n))
    first = reports[0]
    # A line goes only through the reports since the last change.
    now = [each for each in dated if each.level == level]
    line = fit(now, of.period_deg(first.counted_as[1]))
    return UnitSeries(first.type, first.serial, str(of), tuple(points), line, _words(line))


def _words(line: Line | None) -> str:
    if line is None:
        return "too few reports for a line: it takes three with nothing changed between"
    slope, U = line.per_year_deg, line.U_per_year_deg
    size, way = rounding.rate(slope, U), " more" if slope > 0 else " less"
    if not float(size):  # nothing, as shown, has no direction
        way = ""
    drift = f"{size}°{way} each year, ± {rounding.two_figures(U)}°{few_points(line)}"
    return drift if line.distinguishable else f"no significant drift: {drift}"


class Trend:
    """The reports in a job, or in all jobs of a folder, as part of a trend."""

    def __init__(self, folder: Path, troubles: list[str], serial: str = "") -> None:
        found = read(folder, troubles)
        self._reports = [each for each in found if serial in ("", each.serial)]

    def answer(self, changes: Sequence[DatedChange]) -> dict[str, Any]:
        """The reports and their series, by name."""
        return {"unit_reports": self._reports, "unit_series": series(self._reports, changes)}

    def lines(self, changes: Sequence[DatedChange]) -> Iterator[str]:
        """The reports, then each result of each unit that was reported more than once."""
        if not self._reports:
            return
        yield from ("", "reports of units alone (rig bench REPORT REPORT compares two):")
        for report in self._reports:
            serial = report.serial or "(no serial)"
            yield f"  {report.made_utc[:10]}  {report.type} {serial}  {report.file}"
        again = [each for each in series(self._reports, changes) if len(each.points) > 1]
        for each in again:
            yield from ("", f"{each.type} {each.serial}, {each.figure}, degrees of its own shaft")
            for point in each.points:
                U = rounding.two_figures(point.U_deg)
                value = f"{rounding.figure(point.deg, point.U_deg)}° ± {U}°"
                step = f"  [{point.step}]" if point.step else ""
                aside = "" if point.weighs else "  (read once: no line goes through it)"
                yield f"  {point.made_utc[:10]}  {value:<22}{aside}{step}"
            yield f"  {each.words}"
        if any(each.line is not None for each in again):
            yield from ("", CAUTION)
