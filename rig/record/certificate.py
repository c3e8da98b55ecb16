"""The certificate: built from what was read, saved once for all, read again years later."""

from __future__ import annotations

import hashlib
import math
import os
import platform
import re
from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta
from importlib import metadata
from pathlib import Path

from rig import __version__
from rig.engine.dead_centre.reference import Reference
from rig.engine.profile import Profile
from rig.faults import InputError, reason
from rig.files import LeftOut, Listing, Odd, entries, sorted_out
from rig.record import page, seal, store, words
from rig.record.ink import visible
from rig.record.plain import from_plain, to_plain
from rig.record.schema import (
    ENGINE_FILE,
    FOR_TDC,
    FORMAT,
    PROGRAM,
    VERSION,
    CaptureFacts,
    Certificate,
    Change,
    Closing,
    EngineFile,
    NotCounted,
    Program,
    ReadingGroup,
    RigCheck,
    TdcMove,
)
from rig.record.seal import Record
from rig.timing.results import Comparison, Judgement, Reading

MOST_U_DEG = 10_000.0
"""Two readings half a turn apart do not come to as much."""

_LIBRARIES = ("numpy", "scipy")
_Group = tuple[str, str, int | None, str, str, bool]
_CLOSING = tuple(Closing(line) for line in words.CLOSING)
_IDENTIFICATION = re.compile(r"[a-z0-9-]{1,80}")


def build(
    *,
    profile: Profile,
    reference: Reference,
    readings: Sequence[Reading],
    judgements: Sequence[Judgement],
    comparisons: Sequence[Comparison],
    captures: Sequence[CaptureFacts],
    engine_file: bytes,
    issued: datetime,
    engine_file_name: str = ENGINE_FILE,
    other_references: Sequence[Reference] = (),
    method: Sequence[str] = (),
    conditions: Sequence[str] = (),
    deviations: Sequence[str] = (),
    changes: Sequence[Change] = (),
    tdc_moves: Sequence[TdcMove] = (),
    rig_checks: Sequence[RigCheck] = (),
    cautions: Sequence[str] = words.CAUTIONS,
    closing: Sequence[Closing] = _CLOSING,
) -> Record:
    """Give the record of a certificate, not yet sealed: plain values in a settled order.

    ``captures`` are the recordings that the figures rest on, ``engine_file`` the bytes of the
    engine file, ``issued`` an instant with its time zone. What stands under ``method`` is added
    to the definition of the opening. The same arguments give the same record, the program's and
    libraries' versions aside. Raises InputError when the engine file is not UTF-8, or there
    is no capture or no judgement.
    """
    if not captures:
        raise InputError("a certificate needs a capture to rest on; there is none.")
    if not judgements:
        raise InputError("there is nothing to certify: no reading counts yet. Take some first.")
    read = [each for each in captures if each.used_for != FOR_TDC]
    issued_utc = _whole_second_after(issued)
    certificate = Certificate(
        format=FORMAT,
        version=VERSION,
        title=words.TITLE,
        identification=identification_of(issued_utc, captures),
        issued_utc=f"{issued_utc:%Y-%m-%dT%H:%M:%SZ}",
        measured_from_utc=min(each.start_utc for each in read),
        measured_until_utc=max(each.end_utc for each in read),
        this_is=words.THIS_IS,
        this_is_not=words.THIS_IS_NOT,
        stated=profile,
        reference=reference,
        other_references=tuple(other_references),
        method=(words.OPENING, *method),
        conditions=tuple(conditions),
        deviations=tuple(deviations),
        changes=tuple(changes),
        rules=tuple(dict.fromkeys(each.rule for each in judgements if each.rule)),
        judgements=tuple(judgements),
        comparisons=tuple(comparisons),
        readings=_grouped(readings),
        not_counted=_not_counted(readings),
        rig_checks=tuple(rig_checks),
        captures=tuple(captures),
        engine_file=_engine_file(engine_file_name, engine_file),
        program=_program(),
        cautions=tuple(cautions),
        closing=tuple(closing),
        tdc_moves=tuple(tdc_moves),
    )
    record: Record = to_plain(certificate)
    del record["seals"]
    return record


def save(folder: Path, record: Record) -> tuple[Path, Path]:
    """Save ``record`` and its page in a new folder of its own within ``folder``.

    Both files come into being in one step, whole, and nothing is ever written over: when the
    identification is taken, the record gets the next free one. Gives the paths of the record
    (JSON) and the page (HTML). Raises InputError when it cannot be saved; nothing is left then.
    """
    base = _identified(record)
    for turn in range(1, 1000):
        name = base if turn == 1 else f"{base}-{turn}"
        named = record | {"identification": name}
        drawn = page.render(named).encode("utf-8")
        data = seal.file_bytes(named, drawn)
        if len(data) > seal.LARGEST_BYTES:
            raise InputError(
                f"the record of {len(data) // 2**20} MB is too large to keep; take fewer readings "
                "into one certificate."
            )
        try:
            made = store.place(folder, name, {f"{name}.json": data, f"{name}.html": drawn})
        except store.TakenError:
            continue
        return made / f"{name}.json", made / f"{name}.html"
    raise InputError(f"{folder}: a thousand certificates named {base} are there already.")


def load(path: Path) -> Record:
    """Read a certificate: its JSON file, its page, or the folder that holds the two.

    Raises InputError when it is missing, edited, too large, of another version or no certificate.
    """
    file = record_path(path)
    data = seal.read_bytes(file)
    record = seal.parse(data, file.name)
    found = seal.look_at(data)
    if not found.holds:
        raise InputError(
            f"{file.name}: has been edited since it was saved (its fingerprint does not hold). "
            "Take the copy that was saved; the verify command says what differs."
        )
    as_certificate(record, file.name)
    return record


def as_certificate(record: Record, name: str = "record") -> Certificate:
    """Give the record as a ``Certificate``, every value's type looked at.

    Raises InputError naming the first value that is not as SCHEMA.md says.
    """
    certificate = from_plain(Certificate, record, name)
    if not _IDENTIFICATION.fullmatch(certificate.identification):
        raise InputError(f"{name}.identification: not of the form that this program gives.")
    if not certificate.captures:
        raise InputError(f"{name}.captures: names no recording; the record was edited.")
    check_sizes(certificate.judgements, name)
    return certificate


def check_sizes(judgements: Iterable[Judgement], name: str) -> None:
    """Raise InputError when a mean or an uncertainty is nothing that one could reckon with."""
    for judgement in judgements:
        wrong, stated = "", judgement.uncertainty
        if judgement.mean_btdc is not None and not abs(judgement.mean_btdc) <= 360.0:
            wrong = f"the mean of {judgement.unit} is no angle"
        if stated is not None and not 0.0 <= stated.U_deg <= MOST_U_DEG:
            wrong = f"the uncertainty of {judgement.unit} is no size"
        for part in stated.parts if stated else ():
            if not (part.u_deg >= 0.0 and math.isfinite(part.u_deg) and part.nu >= 1.0):
                wrong = f"the uncertainty of {part.name} is no size"
        if wrong:
            raise InputError(f"{name}.judgements: {visible(wrong)}; the record was edited.")


def judgements_of(record: Record) -> list[Judgement]:
    """Give the judgements of a record with their uncertainties' parts, to compare with others."""
    return list(as_certificate(record).judgements)


def reference_of(record: Record) -> Reference:
    """Give the reference that a record's figures rest on, to recompute them."""
    return as_certificate(record).reference


def record_path(path: Path) -> Path:
    """Give the path of the JSON file that ``path`` (that file, its page or its folder) means.

    Raises InputError when that may not be looked at.
    """
    try:
        if path.is_dir():
            return path / f"{path.absolute().name}.json"
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({reason(error)}).") from error
    return path.with_suffix(".json") if path.suffix == ".html" else path


def find(folder: Path) -> list[Path]:
    """List the record files of all certificates in ``folder``, by name (oldest first)."""
    return look(folder).files


def look(folder: Path) -> Listing:
    """The record files in ``folder``, and what lies among the certificates and is none.

    Files beside the certificates' folders, a person's own, are nobody's business.
    """
    found, left = entries(folder)
    records: list[Path] = []
    for each in sorted_out(found, left).left:
        record = each.path / f"{each.path.name}.json"
        if each.odd is not Odd.FOLDER:
            left.append(each)
        elif os.path.lexists(record):
            records.append(record)
        else:
            left.append(LeftOut(each.path, Odd.EMPTY))
    return sorted_out(records, left)


def identification_of(issued_utc: datetime, captures: Sequence[CaptureFacts]) -> str:
    """A certificate's own number: when it was issued, and from which recording first of all."""
    return f"{issued_utc:%Y%m%d-%H%M%S}-{captures[0].sha256[:6]}"


def _whole_second_after(at: datetime) -> datetime:
    """Issued no earlier than the last thing that was measured, which is told to the millisecond."""
    whole = at.astimezone(UTC).replace(microsecond=0)
    return whole if whole == at else whole + timedelta(seconds=1)


def _identified(record: Record) -> str:
    return as_certificate(record).identification


def _grouped(readings: Iterable[Reading]) -> tuple[ReadingGroup, ...]:
    groups: dict[_Group, list[Reading]] = {}
    for each in readings:
        if each.counts:
            key = (
                *(each.unit, each.setting, each.cylinder),
                *(each.phase, each.kind, each.wrong_stroke),
            )
            groups.setdefault(key, []).append(each)
    return tuple(
        ReadingGroup(
            *key,
            t_s=tuple(each.t_s for each in of),
            btdc_deg=tuple(each.btdc_deg for each in of),
            crank_deg=tuple(each.crank_deg for each in of),
            partings=tuple(each.partings for each in of),
        )
        for key, of in groups.items()
    )


def _not_counted(readings: Iterable[Reading]) -> tuple[NotCounted, ...]:
    tally = Counter((each.unit, each.setting, each.why) for each in readings if not each.counts)
    return tuple(NotCounted(*key, n=n) for key, n in tally.items())


def _engine_file(name: str, data: bytes) -> EngineFile:
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        raise InputError(
            f"{name}: byte {error.start + 1} is not UTF-8. Save the file as UTF-8 text."
        ) from error
    return EngineFile(name, hashlib.sha256(data).hexdigest(), len(data), text)


def _program() -> Program:
    return Program(
        name=PROGRAM,
        version=__version__,
        python=platform.python_version(),
        machine=f"{platform.system()} {platform.machine()}",
        libraries={each: metadata.version(each) for each in _LIBRARIES},
    )
