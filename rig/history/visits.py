"""What a history needs of each certificate: read from its record alone, no more of it than that."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any

from rig.base.codec import from_plain
from rig.base.errors import InputError
from rig.base.escape import LONGEST_TROUBLE, visible
from rig.base.files import Listing, gathered, named
from rig.certificate import seal
from rig.certificate.schema import RecordedAssessment, TdcMove
from rig.job.clock import utc_instant
from rig.job.folder import listed_records
from rig.job.results import FOR_TDC, Change, MadeAdjustment
from rig.timing.assess import UnitVerdict, verdict_over
from rig.timing.values import Assessment

_VERSION = re.compile(r"[-_ ]?v?[0-9]+(\.[0-9]+)*$")


class NoSuchUnitError(InputError):
    """No certificate has a unit of that serial number."""


@dataclass(frozen=True, slots=True)
class Visit:
    """What one certificate says."""

    path: Path
    record_sha256: str
    identification: str
    measured_utc: str
    engine: str
    engine_serial: str
    serials: dict[str, str]  # unit -> its serial number
    rig: str  # which rig it was, without the version of its firmware
    mount: str  # the encoder as mounted
    tdc: str  # identifies its TDC
    assessments: tuple[RecordedAssessment, ...]
    changes: tuple[Change, ...] = ()
    tdc_moves: tuple[TdcMove, ...] = ()
    adjustments: tuple[MadeAdjustment, ...] = ()

    def of_unit(self, serial: str) -> Visit:
        """Only the unit with that serial number."""
        own = tuple(a for a in self.assessments if self.serials.get(a.unit) == serial)
        return replace(self, assessments=own)

    def over_all(self) -> list[RecordedAssessment]:
        """Its assessments, without those of a cylinder if there is one over all cylinders."""
        whole = {_unit_of(each) for each in self.assessments if each.cylinder is None}
        return [a for a in self.assessments if a.cylinder is None or _unit_of(a) not in whole]

    def verdict(self, of: Assessment) -> UnitVerdict:
        """The verdict on a unit, setting, phase and kind over all its cylinders; of a cylinder,
        its own."""
        own = [each for each in self.assessments if _unit_of(each) == _unit_of(of)]
        return verdict_over([of] if of.cylinder is not None else own)


def _unit_of(of: Assessment) -> tuple[str, str, str, str]:
    return of.unit, of.setting, of.phase, of.kind


@dataclass(frozen=True, slots=True)
class _Parts:
    """The parts of a record that are checked value by value."""

    judgements: tuple[RecordedAssessment, ...]
    changes: tuple[Change, ...] = ()
    tdc_moves: tuple[TdcMove, ...] = ()
    adjustments: tuple[MadeAdjustment, ...] = ()


def look(folder: Path) -> Listing:
    """The certificates of a job, or of all jobs in a folder, in order of their names; and what else
    is among them.

    Raises InputError when there is no such folder.
    """
    if not folder.is_dir():
        raise InputError(f"{folder}: no such folder. Name a job's folder or one that holds jobs.")
    return gathered(folder, lambda job: listed_records(job / "certificates"))


def read_visits(
    paths: Iterable[Path], engine: str, serial: str, unit_serial: str
) -> tuple[list[Visit], list[str]]:
    """The visits of one engine, or those of the unit with ``unit_serial``, in order of measuring;
    and why certificates were left out.

    Raises InputError when none is found, or those of several engines.
    """
    troubles: list[str] = []
    engines: dict[tuple[str, str], None] = {}
    found: dict[str, Visit] = {}  # by the digest of the record: a copy counts once
    for path in (each.absolute() for each in paths):
        try:
            data = seal.read_bytes(path)
            looked = seal.look_at(data)
            record = seal.parse(data, named(path))
            if not looked.holds:
                raise InputError(f"{named(path)}: has been edited since it was saved.")
            name = _names(record.get("stated"), path)
            engines[name] = None
            if engine in ("", name[0]) and serial in ("", name[1]) and looked.stated not in found:
                found[looked.stated] = _visit(path, record, looked.stated)
        except InputError as error:
            troubles.append(visible(f"left out: {error}", LONGEST_TROUBLE))
    serials = {own: None for each in found.values() for own in each.serials.values() if own}
    if unit_serial and unit_serial not in serials:
        raise NoSuchUnitError(_no_serial(unit_serial, serials, troubles))
    wanted = [name for name in engines if engine in ("", name[0]) and serial in ("", name[1])]
    if not unit_serial and len(wanted) != 1:
        raise InputError(_which(wanted, list(engines), troubles, serials))
    return _each_once(found.values()), troubles


def _names(stated: Any, path: Path) -> tuple[str, str]:
    try:
        name, serial = stated["engine"]["name"], stated["engine"]["serial"]
    except (KeyError, TypeError):
        name = serial = None
    if not isinstance(name, str) or not isinstance(serial, str):
        raise InputError(f"{named(path)}: the record names no engine; it was edited.")
    return name, serial


def _visit(path: Path, record: seal.Record, sha256: str) -> Visit:
    """What a history needs of a record. Raises InputError when it is not as it should be."""
    try:
        stated, reference = record["stated"], record["reference"]
        given = {each.name: record[each.name] for each in fields(_Parts) if each.name in record}
        parts = from_plain(_Parts, given, named(path))
        visit = Visit(
            path=path,
            record_sha256=sha256,
            identification=str(record["identification"]),
            measured_utc=str(record["measured_from_utc"]),
            engine=stated["engine"]["name"],
            engine_serial=stated["engine"]["serial"],
            serials={str(u["name"]): str(u.get("serial", "")).strip() for u in stated["units"]},
            rig=_rig_of(record["captures"]),
            mount=json.dumps(stated["encoder"], sort_keys=True),
            tdc=f"{reference['tdc_deg']!r} {reference['made_utc']}",
            assessments=parts.judgements,
            changes=parts.changes,
            tdc_moves=parts.tdc_moves,
            adjustments=parts.adjustments,
        )
    except (AttributeError, KeyError, TypeError, ValueError) as why:
        raise InputError(f"{named(path)}: is incomplete ({why}); it was edited.") from None
    utc_instant(visit.measured_utc)
    return visit


def _rig_of(captures: Any) -> str:
    """The rig that the readings were taken with."""
    names = (
        _VERSION.sub("", str(each.get("rig_name", "")))
        for each in captures
        if each.get("used_for") != FOR_TDC
    )
    return ", ".join(dict.fromkeys(filter(None, names)))


def _each_once(visits: Iterable[Visit]) -> list[Visit]:
    """In order of measuring; what was certified again, as to add a change, counts once."""
    kept: list[Visit] = []
    for each in sorted(visits, key=lambda each: (each.measured_utc, each.identification)):
        before = kept[-1] if kept else None
        if before is not None and (before.measured_utc, before.assessments) == (
            each.measured_utc, each.assessments,
        ):  # fmt: skip
            earlier = [change for change in before.changes if change not in each.changes]
            kept[-1] = replace(each, changes=(*earlier, *each.changes))
        else:
            kept.append(each)
    return kept


def _no_serial(serial: str, known: Iterable[str], troubles: Sequence[str]) -> str:
    there = ", ".join(visible(each) for each in known)
    if not there and troubles:
        return f"there is no certificate to read here ({troubles[0]})."
    said = f"the certificates have {there}" if there else "no certificate has a unit's serial"
    return f"no unit with serial {visible(serial)}: {said}."


def _which(
    wanted: Sequence[tuple[str, str]],
    engines: Sequence[tuple[str, str]],
    troubles: Sequence[str],
    serials: Iterable[str],
) -> str:
    there = ", ".join(visible(f"{name} {serial}".strip()) for name, serial in engines[:12])
    if not engines:
        why = f" ({troubles[0]})" if troubles else ""
        return f"there is no certificate to read here{why}."
    if not wanted:
        return f"no certificate is of that engine. There are: {there}."
    units = ", ".join(visible(each) for each in serials)
    follow = f" Or follow one unit by its serial: {units}." if units else ""
    return (
        f"certificates of different engines do not make one history: {there}. Name one of them."
        + follow
    )
