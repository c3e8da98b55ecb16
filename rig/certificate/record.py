"""The certificate: built from a job's captures, sealed, saved once with its page, read again."""

from __future__ import annotations

import platform
import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import fields
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from importlib import metadata
from pathlib import Path
from typing import Any

from rig import __version__
from rig.base import files
from rig.base.codec import from_plain, to_plain
from rig.base.errors import InputError, reason
from rig.certificate import page, schema, seal
from rig.certificate.schema import (
    ENGINE_FILE,
    FORMAT,
    PROGRAM,
    VERSION,
    Certificate,
    Closing,
    EngineFile,
    NotCounted,
    Program,
    ReadingGroup,
    RecordedAssessment,
    RecordedComparison,
)
from rig.certificate.seal import Record
from rig.engine.profile import Profile
from rig.job.folder import listed_records
from rig.job.results import (
    FOR_TDC,
    CaptureFacts,
    JobResults,
)
from rig.timing.values import Assessment, Comparison, Reading
from rig.words.assessments import (
    RULES,
    assessment_in_full,
    comparison_in_full,
    what_decides,
)
from rig.words.diagnostics import reason_words

_IDENTIFICATION = re.compile(r"[a-z0-9-]{1,80}")


def build(
    engine_file: bytes,
    profile: Profile,
    worked: JobResults,
    captures: Sequence[CaptureFacts],
    issued: datetime,
    **more: Sequence[Any],
) -> Record:
    """Give the record of a certificate, not yet sealed: plain values in a fixed order.

    ``captures`` are the recordings that ``worked`` comes from, ``engine_file`` the bytes of the
    engine file, ``issued`` an instant with its time zone; ``more`` are other lists of a
    ``Certificate``, by their names. The same arguments give the same record, but for the versions
    of program and libraries. Raises InputError when TDC is not known, when the engine file is not
    UTF-8, or when there is no capture or no judgement.
    """
    if worked.reference is None:
        raise InputError(
            "TDC is not known: find it with the piston stop in rig live, or set it with rig tdc set"
        )
    if not captures:
        raise InputError("a certificate needs a capture; there is none.")
    if not worked.assessments:
        raise InputError("there is nothing to certify: no reading is valid yet. Take some first.")
    read = [each for each in captures if each.used_for != FOR_TDC]
    # No earlier than the last measurement, whose time has milliseconds.
    issued_utc = (issued + timedelta(microseconds=999_999)).astimezone(UTC).replace(microsecond=0)
    try:
        text = engine_file.decode("utf-8")
    except UnicodeDecodeError as error:
        raise InputError(
            f"{ENGINE_FILE}: byte {error.start + 1} is not UTF-8. Save the file as UTF-8 text."
        ) from error
    blank = ("other_references", "conditions", "deviations", "changes", "rig_checks")
    lists: dict[str, Any] = {name: tuple(each) for name, each in more.items()}
    certificate = Certificate(
        format=FORMAT,
        version=VERSION,
        title=schema.TITLE,
        identification=identification_of(issued_utc, captures),
        issued_utc=f"{issued_utc:%Y-%m-%dT%H:%M:%SZ}",
        measured_from_utc=min(each.start_utc for each in read),
        measured_until_utc=max(each.end_utc for each in read),
        this_is=schema.THIS_IS,
        this_is_not=schema.THIS_IS_NOT,
        stated=profile,
        reference=worked.reference,
        method=(schema.OPENING,),
        rules=tuple(dict.fromkeys(RULES[each.rule] for each in worked.assessments)),
        judgements=tuple(map(recorded, worked.assessments)),
        comparisons=tuple(
            RecordedComparison(**_fields(each), words=comparison_in_full(each))
            for each in worked.comparisons
        ),
        readings=_grouped(worked.readings),
        not_counted=_not_counted(worked.readings),
        captures=tuple(captures),
        engine_file=EngineFile(
            ENGINE_FILE, sha256(engine_file).hexdigest(), len(engine_file), text
        ),
        program=Program(
            name=PROGRAM,
            version=__version__,
            python=platform.python_version(),
            machine=f"{platform.system()} {platform.machine()}",
            libraries={each: metadata.version(each) for each in ("numpy", "scipy")},
        ),
        cautions=schema.CAUTIONS,
        closing=tuple(map(Closing, schema.CLOSING)),
        **(dict.fromkeys(blank, ()) | lists),
    )
    record: Record = to_plain(certificate)
    del record["seals"]
    return record


def save(folder: Path, record: Record) -> tuple[Path, Path]:
    """Save ``record`` and its page in a new folder of its own within ``folder``.

    Both files appear at once and whole, and nothing is ever overwritten: if the identification is
    taken, the record gets the next free one. Gives the paths of the record
    (JSON) and the page (HTML). Raises InputError when it cannot be saved; nothing is left then.
    """
    base = as_certificate(record).identification
    for turn in range(1, 1000):
        name = base if turn == 1 else f"{base}-{turn}"
        named = record | {"identification": name}
        drawn = page.render(named).encode("utf-8")
        data = seal.file_bytes(named, drawn)
        if len(data) > seal.LARGEST_BYTES:
            raise InputError(
                f"the record of {len(data) // 2**20} MB is too large to save; take fewer readings "
                "into one certificate."
            )
        try:
            made = files.place(folder, name, {f"{name}.json": data, f"{name}.html": drawn})
        except files.TakenError:
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
    """Give the record as a ``Certificate``, the type of every value checked.

    Raises InputError naming the first value that is not as SCHEMA.md says.
    """
    certificate = from_plain(Certificate, record, name)
    if not _IDENTIFICATION.fullmatch(certificate.identification):
        raise InputError(f"{name}.identification: not of the form that this program gives.")
    if not certificate.captures:
        raise InputError(f"{name}.captures: names no recording; the record was edited.")
    return certificate


def _fields(value: Assessment | Comparison) -> dict[str, Any]:
    return {each.name: getattr(value, each.name) for each in fields(value)}


def recorded(of: Assessment) -> RecordedAssessment:
    """With its sentences as this version makes them."""
    own = _fields(of) | {"rule": RULES[of.rule]}
    return RecordedAssessment(**own, words=assessment_in_full(of), settle=what_decides(of))


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
    return listed_records(folder).files


def identification_of(issued_utc: datetime, captures: Sequence[CaptureFacts]) -> str:
    """A certificate's number: its time of issue, and its first recording."""
    return f"{issued_utc:%Y%m%d-%H%M%S}-{captures[0].sha256[:6]}"


def _grouped(readings: Iterable[Reading]) -> tuple[ReadingGroup, ...]:
    groups: defaultdict[tuple[str, str, int | None, str, str, bool], list[Reading]]
    groups = defaultdict(list)
    for r in readings:
        if r.valid:
            key = (r.unit, r.setting, r.cylinder, r.phase, r.kind, r.wrong_stroke)
            groups[key].append(r)
    return tuple(
        ReadingGroup(
            *key,
            t_s=tuple(each.t_s for each in of),
            btdc_deg=tuple(each.btdc_deg for each in of),
            crank_deg=tuple(each.crank_deg for each in of),
            partings=tuple(each.times_opened for each in of),
        )
        for key, of in groups.items()
    )


def _not_counted(readings: Iterable[Reading]) -> tuple[NotCounted, ...]:
    tally = Counter(
        (each.unit, each.setting, reason_words(each.rejection))
        for each in readings
        if not each.valid
    )
    return tuple(NotCounted(*key, n=n) for key, n in tally.items())
