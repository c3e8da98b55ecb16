"""Does a certificate still hold? Every digest, text, date and figure, one by one.

Figures are computed again from the captures and the engine file by a function that is passed in.
Figures and codes must be identical; where other versions of the libraries compute them, their last
digits may differ. Sentences that the program makes of figures are compared only by the version that
wrote the record, so a sentence can be reworded and earlier certificates still verify.

``PARTS`` lists what each part of a certificate is made from, and so how it is proved. A part that
follows from the recordings is derived from them. What no recording holds is compared with the job's
files or with a digest. What was entered when the certificate was issued is proved by a signature
alone.
"""

from __future__ import annotations

import hashlib
import math
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import Enum
from pathlib import Path
from typing import Any, Literal

from rig import __version__
from rig.base.errors import InputError, reason
from rig.base.escape import visible
from rig.base.files import open_file
from rig.base.rounding import many
from rig.certificate import page, schema, seal
from rig.certificate.record import as_certificate, identification_of, record_path
from rig.certificate.schema import ENGINE_FILE, PROGRAM, VERSION, Certificate
from rig.certificate.seal import Record
from rig.job.clock import moment
from rig.job.results import FOR_TDC

__all__ = ["Check", "compare", "job_of", "verify"]

Recompute = Callable[[Path, Record], Record]
"""Given the job's folder and the record: a record built anew from capture and engine file, with the
engine file's text and the reference of the record. Raises InputError when it cannot."""

VERSION_2_SINCE = datetime(2026, 12, 1, tzinfo=UTC)  # a version 1 of later was altered
CLOCKS_DIFFER = timedelta(days=1)  # at most, of two computers: a wrong time zone
CLOSE = 1e-9  # figures that differ by less than this part of themselves differ by rounding alone

Sort = Literal["proof", "figure", "reworded"]
"""A fingerprint, text or date; a figure computed anew; words that this version puts otherwise."""


@dataclass(frozen=True, slots=True)
class Check:
    """One fingerprint or figure: what the certificate says, what was found, whether it holds.

    ``what`` is a file's name or a path such as ``judgements[0].mean_btdc``; the text is harmless.
    """

    what: str
    holds: bool
    stated: str
    found: str
    words: str
    sort: Sort = "proof"


def check(
    what: str, stated: str, found: str, words: str, *, holds: bool, sort: Sort = "proof"
) -> Check:
    """A check whose text is harmless whatever stands in it."""
    return Check(visible(what), holds, visible(stated), visible(found), visible(words), sort)


def verify(
    certificate: Path,
    recompute: Recompute,
    job: Path | None = None,
    now: datetime | None = None,
) -> list[Check]:
    """Check the certificate at ``certificate`` (its JSON file, its page or its folder).

    ``job`` is the folder with ``engine.toml`` and ``captures/``, found from where the certificate
    lies when it is not given; ``now`` is the time of this computer. Whatever was edited, went
    missing or differs is a check that does not hold. Raises InputError only when there is no such
    certificate at all.
    """
    path = record_path(certificate)
    data = seal.read_bytes(path)
    looked = seal.look_at(data)
    checks = [_seal_check(path, looked)]
    try:
        record = seal.parse(data, path.name)
        whole = as_certificate(record, "record")
    except InputError as error:
        return [*checks, check("record, its shape", "", "", str(error), holds=False)]
    folder = job if job is not None else job_of(path)
    checks.append(_page_check(path.with_suffix(".html"), looked, record, whole))
    checks += _name_and_time_checks(path, whole, now or datetime.now(UTC))
    checks += _engine_checks(folder, whole)
    captures = [_file_check(folder / "captures", each.file, each.sha256) for each in whole.captures]
    checks += captures
    if whole.version < VERSION:
        said = (
            f"the figures were made by version {whole.program.version} and are not computed anew"
            " here: of a record of version 1 only the fingerprints are checked"
        )
        return [*checks, check("version", str(whole.version), str(VERSION), said, holds=True)]
    checks += _version_and_text_checks(record, whole)
    missing = [each.what for each in captures if not each.found]
    if missing:
        said = f"not computed anew: {', '.join(missing)} is not there to compute from"
        return [*checks, check("figures", "", "", said, holds=False)]
    try:
        fresh = recompute(folder, record)
    except InputError as error:
        return [*checks, check("figures", "", "", f"not computed anew: {error}", holds=False)]
    return [*checks, *_done_checks(whole, fresh), *compare(record, fresh)]


def job_of(path: Path) -> Path:
    """Give the job's folder of a record file: the one that holds ``certificates``."""
    above = path.absolute().parents
    return above[2] if len(above) > 2 else above[-1]


def _seal_check(path: Path, looked: seal.Seal) -> Check:
    said = "no byte of the record has changed since it was saved"
    if not looked.stated:
        said = "the record does not end with its fingerprints as it was saved: it was edited"
    elif not looked.holds:
        said = "the record was edited"
    return check(path.name, looked.stated, looked.found, said, holds=looked.holds)


def _page_check(path: Path, looked: seal.Seal, record: Record, whole: Certificate) -> Check:
    """The page has the digest that the record closes with, and is what the record draws.

    A page of an earlier version cannot be drawn again, and is held to its digest.
    """
    try:
        if not path.is_file():
            return check(path.name, looked.page, "", "the page is missing", holds=False)
        with open_file(path) as file:
            found = hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        said = f"the page cannot be read: {reason(error)}"
        return check(path.name, looked.page, "", said, holds=False)
    drawn = hashlib.sha256(page.render(record).encode("utf-8")).hexdigest()
    version = whole.program.version
    if found != looked.page:
        return check(path.name, looked.page, found, "the page was edited", holds=False)
    if found == drawn:
        said = "the page is what the record draws"
    elif version != __version__ and (whole.version < VERSION or version in schema.FIXED):
        said = f"the page is as version {version} saved it; only its fingerprint was checked"
    else:
        said = "the page is not what the record draws"
        return check(path.name, drawn, found, said, holds=False)
    return check(path.name, looked.page, found, said, holds=True)


def _name_and_time_checks(path: Path, whole: Certificate, now: datetime) -> Iterator[Check]:
    """The identification is the file's name, and made of what it should be; no time is out of
    order."""
    name = whole.identification
    said = "the file has the name that the record says"
    if name != path.stem:
        said = "the record's identification is not its file's name: one of them was edited"
    yield check("identification", name, path.stem, said, holds=name == path.stem)
    issued, last = moment(whole.issued_utc), moment(whole.measured_until_utc)
    if issued is None or last is None or not whole.issued_utc.endswith("Z"):
        yield check("issued_utc", whole.issued_utc, "", "is no time of ours", holds=False)
        return
    made_of = identification_of(issued, whole.captures)
    known = re.fullmatch(rf"{made_of}(-[0-9]+)?", name) is not None
    said = "made of the time of issue and the first recording's fingerprint"
    yield check("identification, its form", name, made_of, said, holds=known)
    in_order = last <= issued
    said = "no earlier than measured" if in_order else "issued before the last measurement"
    yield check("issued_utc", whole.issued_utc, whole.measured_until_utc, said, holds=in_order)
    past = issued <= now + CLOCKS_DIFFER
    said = "not in the future" if past else "lies in the future, by this computer's clock"
    yield check("issued_utc, by the clock", whole.issued_utc, f"{now:%FT%TZ}", said, holds=past)
    if whole.version < VERSION:
        early = issued < VERSION_2_SINCE
        said = "of the time of version 1" if early else "later than any certificate of version 1"
        yield check("version", str(whole.version), whole.issued_utc, said, holds=early)


def _version_and_text_checks(record: Record, whole: Certificate) -> Iterator[Check]:
    """The version that the record names wrote this fixed text."""
    version = whole.program.version
    digests = schema.FIXED.get(version)
    known = whole.program.name == PROGRAM and digests is not None
    said = "a version that writes such records"
    if not known:
        said = "no version that this program knows; the record was edited, or use that version"
    of = f"{whole.program.name} {version}"
    yield check("program.version", of, f"{PROGRAM} {__version__}", said, holds=known)
    for part in FIXED_TEXT:
        found = schema.digest_of(part, record[part])
        stated = (digests or {}).get(part, "")
        said = f"the text of version {version}" if found == stated else "the text was edited"
        yield check(part, stated, found, said, holds=found == stated)


def _done_checks(whole: Certificate, fresh: Record) -> Iterator[Check]:
    """What of the closing list is ticked."""
    for i, (line, other) in enumerate(zip(whole.closing, fresh["closing"], strict=False)):
        one, holds = line.done, line.done == other["done"]
        said = "holds" if holds else "differs"
        yield check(f"closing[{i}].done", str(one), str(other["done"]), said, holds=holds)


def _engine_checks(job: Path, whole: Certificate) -> list[Check]:
    """The engine file's text in the record, which the figures rest on, and the file in the job.

    The recordings begin with the digest of the engine file; where they bear out the text in the
    record, the file may have been edited for the next measurement since.
    """
    engine = whole.engine_file
    data = engine.text.encode("utf-8", "surrogatepass")
    kept = hashlib.sha256(data).hexdigest()
    held = (kept, len(data)) == (engine.sha256, engine.size_bytes)
    said = "the text kept in the record is the engine file's" if held else (
        "the engine file's text in the record was edited"
    )  # fmt: skip
    stated = f"{engine.sha256}, {many(engine.size_bytes, 'byte')}"
    own = check(f"{engine.name}, its text in the record", stated, kept, said, holds=held)
    file = _file_check(job, engine.name, engine.sha256)
    begun = {each.engine_sha256 for each in whole.captures if each.used_for != FOR_TDC}
    if engine.name != ENGINE_FILE:
        said = f"an engine file is named {ENGINE_FILE}; the record was edited"
        file = check(engine.name, engine.name, ENGINE_FILE, said, holds=False)
    elif not file.holds and (file.found or not (job / engine.name).exists()):
        said, holds = _edited_since(whole, begun, file.found)
        file = check(engine.name, engine.sha256, file.found, said, holds=holds)
    return [own, file]


def _edited_since(whole: Certificate, begun: set[str], found: str) -> tuple[str, bool]:
    """What an engine file that is another one now, or gone, says of a certificate.

    The certificate carries the text that its figures rest on, so that it holds for ever. The
    recordings bear that text out where they were begun with it. Where they were begun with
    another, the certificate says so itself, and a signature alone proves the text.
    """
    since = "has been edited since" if found else "is no longer there"
    if begun == {whole.engine_file.sha256}:
        return f"{since}; the recordings bear out the text in the record", True
    if found in begun:
        return "is what the recordings were begun with, and the text in the record is not", False
    if whole.version < VERSION or "" in begun:
        return f"{since}, and no recording says with which text it was begun", False
    return (
        f"{since}; the recordings were begun with another text, as the certificate says: a"
        " signature alone proves the one in the record",
        True,
    )


def _file_check(folder: Path, name: str, sha256: str) -> Check:
    if name in ("", ".", "..") or any(each in name for each in "/\\:\0"):
        said = "the record names a file that cannot lie in the job; it was edited"
        return check(name, sha256, "", said, holds=False)
    path = folder / name
    try:
        if not path.is_file():
            return check(name, sha256, "", f"there is no such file in {folder}", holds=False)
        with open_file(path) as file:
            found = hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        return check(name, sha256, "", f"cannot be read: {reason(error)}", holds=False)
    said = "unchanged" if found == sha256 else "has changed since the certificate was made"
    return check(name, sha256, found, said, holds=found == sha256)


@dataclass(frozen=True, slots=True)
class _With:
    """What both records were made with."""

    same_program: bool  # version and libraries
    same_version: bool  # the version alone: its words are the same


def compare(stated: Record, fresh: Record) -> list[Check]:
    """Compare two records figure by figure; a check for each figure.

    A list of plain values (the readings of a column) is one check while it holds.
    """
    one, other = stated.get("program", {}), fresh.get("program", {})
    same = _With(one == other, one.get("version") == other.get("version"))
    checks: list[Check] = []
    for name in RECOMPUTED:
        if name not in stated and not same.same_version:
            continue  # a version before that part
        checks += _compared(name, stated.get(name), fresh.get(name), same)
    return checks


def compare_part(stated: Any, fresh: Any, *, same_version: bool) -> list[Check]:
    """Compare a sheet of a job with what it should say; sentences by its own version alone."""
    same = _With(same_version, same_version)
    return [
        each
        for name in dict.fromkeys((*stated, *fresh))
        for each in _compared(name, stated.get(name), fresh.get(name), same)
    ]


def _compared(where: str, stated: Any, fresh: Any, same: _With) -> Iterator[Check]:
    if is_sentence(where) and not same.same_version:
        if not _same(stated, fresh):
            words = "words of the version that made it; this version puts it otherwise"
            yield check(where, _text(stated), _text(fresh), words, holds=True, sort="reworded")
    elif isinstance(stated, dict) and isinstance(fresh, dict):
        for name, value in stated.items():
            if name in fresh:
                yield from _compared(f"{where}.{name}", value, fresh[name], same)
            elif same.same_version or not is_sentence(f"{where}.{name}"):
                yield _figure(f"{where}.{name}", value, "nothing", same)
        if same.same_version:  # another may have more to say, which is no fault of this one
            for name, value in fresh.items():
                if name not in stated:
                    yield _figure(f"{where}.{name}", "nothing", value, same)
    elif isinstance(stated, list) and isinstance(fresh, list):
        yield from _lists_compared(where, stated, fresh, same)
    else:
        yield _figure(where, stated, fresh, same)


def _lists_compared(
    where: str, stated: list[Any], fresh: list[Any], same: _With
) -> Iterator[Check]:
    if len(stated) != len(fresh):
        yield _figure(f"{where}, how many", len(stated), len(fresh), same)
    if _same(stated, fresh) and not any(isinstance(each, (dict, list)) for each in stated):
        n = f"{len(stated)} values"
        yield check(where, n, n, "holds", holds=True, sort="figure")
        return
    for i, (one, other) in enumerate(zip(stated, fresh, strict=False)):
        yield from _compared(f"{where}[{i}]", one, other, same)


def _figure(where: str, stated: Any, fresh: Any, same: _With) -> Check:
    holds = _same(stated, fresh)
    words = "holds" if holds else "differs"
    if (
        not holds
        and isinstance(stated, float)
        and isinstance(fresh, float)
        and math.isclose(stated, fresh, rel_tol=CLOSE, abs_tol=CLOSE)
    ):
        holds = not same.same_program
        words = "differs in its last digits only"
        if holds:
            words = "holds but for its last digits: other versions computed it"
    return check(where, _text(stated), _text(fresh), words, holds=holds, sort="figure")


def _same(stated: Any, fresh: Any) -> bool:
    """Bit for bit: 1 is not 1.0, and -0.0 is not 0.0."""
    return repr(stated) == repr(fresh)


def _text(value: Any) -> str:
    return value if isinstance(value, str) else repr(value)


class Origin(Enum):
    """Where a part of the record comes from; the value says how it is proved."""

    FORMAT = "fixed by the format: read or refused"
    TEXT = "fixed text: held to the digest of the version that wrote it"
    NAME = "held to the file's name, the time of issue and the first recording's digest"
    TIME = "no earlier than the last measurement, and not in the future"
    RECORDING = "worked out again from the recordings, with the engine file in the record"
    FILES = "held to the files of the job, and to the digest that the recordings begin with"
    VERSION = "one that writes this record; machine and libraries are as they were told"


_PARTS: Mapping[Origin, str] = {
    Origin.FORMAT: "format version",
    Origin.TEXT: "title this_is this_is_not method cautions closing",
    Origin.NAME: "identification",
    Origin.TIME: "issued_utc",
    # Of the changes what the recordings note: what was entered with --change has no proof but a
    # signature. Of the adjustments what was read; what was predicted is in a sheet of the job.
    Origin.RECORDING: "measured_from_utc measured_until_utc stated reference other_references "
    "conditions deviations changes tdc_moves adjustments rules judgements comparisons readings "
    "not_counted rig_checks captures",
    Origin.FILES: "engine_file",
    Origin.VERSION: "program",
}
PARTS = {part: origin for origin, parts in _PARTS.items() for part in parts.split()}
"""Part of the record -> where it comes from. Top dead centre that is set by hand is held to the
notes in the recordings and to the job's ``reference.json``."""

RECOMPUTED, FIXED_TEXT = (_PARTS[each].split() for each in (Origin.RECORDING, Origin.TEXT))

_SENTENCES = re.compile(
    r"rules|conditions|deviations"
    r"|(?:reference|other_references\[\d+\])\.(?:how|warnings)"
    r"|judgements\[\d+\]\.(?:words|rule|settle|marks)"
    r"|(?:comparisons|tdc_moves)\[\d+\]\.words"
    r"|not_counted\[\d+\]\.why"
    r"|rig_checks\[\d+\]\.(?:name|words)"
    r"|.*\.parts\[\d+\]\.(?:name|how)"
    r"|says|words|warnings|steps\[\d+\]\.(?:do|words|warnings)"  # of a unit report, a prediction
    r"|confirmations\[\d+\]\.words"  # of an outcome
    r"|checks\[\d+\]\.(?:name|words|cause|measured)|not_tried.*"  # of a rig check
)


def is_sentence(where: str) -> bool:
    """Whether a place of the record holds words that the program makes of figures.

    The version that wrote them makes the same words again; another may word them otherwise.
    """
    return _SENTENCES.fullmatch(where) is not None
