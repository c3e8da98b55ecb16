"""Whether a certificate holds: every digest, text, date and figure, one by one.

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
from rig.base.files import digest
from rig.base.rounding import listed, many
from rig.certificate import page, schema, seal
from rig.certificate.record import as_certificate, identification_of, record_path
from rig.certificate.schema import (
    EARLIEST,
    ENGINE_FILE,
    PROGRAM,
    VERSION,
    WROTE_EARLIEST,
    Certificate,
)
from rig.certificate.seal import Record
from rig.job.clock import moment
from rig.job.results import FOR_TDC

Recompute = Callable[[Path, Record], Record]
"""Given the job's folder and the record: the record built again from captures and engine
file, with the engine file's text and the reference of the record. Raises InputError when it
cannot be."""

CLOCKS_DIFFER = timedelta(days=1)  # at most, of two computers: a wrong time zone
CLOSE = 1e-9  # figures that differ by less than this part of themselves differ by rounding alone

Sort = Literal["proof", "figure", "reworded"]
"""A fingerprint, text or date; a figure computed again; words that this version changed."""


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
    what: str, stated: object, found: object, holds: bool, words: str, wrong: str = "", *,
    sort: Sort = "proof",
) -> Check:  # fmt: skip
    """A check, its text made harmless. ``words`` are for both results if there is no ``wrong``."""
    one, other = (value if isinstance(value, str) else repr(value) for value in (stated, found))
    said = words if holds or not wrong else wrong
    return Check(visible(what), holds, visible(one), visible(other), visible(said), sort)


def fails(what: str, words: str, stated: object = "") -> Check:
    """A check that does not hold, as there is nothing to compare with."""
    return check(what, stated, "", False, words)


def file_check(
    path: Path, sha256: str, changed: str, missing: str = "", size: int | None = None
) -> Check:
    """A file, or its first ``size`` bytes, against its digest."""
    try:
        if not path.is_file():
            return fails(path.name, missing or f"there is no such file in {path.parent}", sha256)
        found = digest(path, size)
    except OSError as why:
        return fails(path.name, f"cannot be read: {reason(why)}", sha256)
    except InputError as why:
        return fails(path.name, str(why), sha256)
    return check(path.name, sha256, found, found == sha256, "unchanged", changed)


def past_check(what: str, stated: str, when: datetime, now: datetime) -> Check:
    """A time, which must not be in the future."""
    past = when <= now + CLOCKS_DIFFER
    words, wrong = "not in the future", "is in the future, by this computer's clock"
    return check(f"{what}, by the clock", stated, f"{now:%FT%TZ}", past, words, wrong)


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
    wrong = "the record was edited" if looked.stated else (
        "the record does not end with its fingerprints as it was saved: it was edited"
    )  # fmt: skip
    words = "no byte of the record has changed since it was saved"
    checks = [check(path.name, looked.stated, looked.found, looked.holds, words, wrong)]
    try:
        record = seal.parse(data, path.name)
        whole = as_certificate(record, "record")
    except InputError as error:
        return [*checks, fails("record, its shape", str(error))]
    above = path.absolute().parents
    folder = job or above[min(2, len(above) - 1)]  # the one that holds ``certificates``
    checks.append(_page_check(path.with_suffix(".html"), looked.page, record, whole))
    checks += _name_and_time_checks(path, whole, now or datetime.now(UTC))
    checks += _engine_checks(folder, whole)
    captures = [_capture_check(folder, each.file, each.sha256) for each in whole.captures]
    checks += captures
    checks += _version_and_text_checks(record, whole)
    if missing := [each.what for each in captures if not each.found]:
        said = f"not computed again, without {listed(missing)}"
        return [*checks, fails("figures", said)]
    try:
        fresh = recompute(folder, record)
    except InputError as error:
        return [*checks, fails("figures", f"not computed again: {error}")]
    for i, (line, other) in enumerate(zip(whole.closing, fresh["closing"], strict=False)):
        same = line.done == other["done"]
        name = f"closing[{i}].done"  # what of the closing list is ticked
        checks.append(check(name, line.done, other["done"], same, "holds", "differs"))
    return [*checks, *compare(record, fresh)]


def _page_check(path: Path, sha256: str, record: Record, whole: Certificate) -> Check:
    """The page has the digest in the record's seals, and is what the record draws.

    A page of an earlier version cannot be drawn again: only its digest is checked.
    """
    kept = file_check(path, sha256, "the page was edited", "the page is missing")
    if not kept.holds:
        return kept
    drawn = hashlib.sha256(page.render(record).encode("utf-8")).hexdigest()
    version = whole.program.version
    said = "the page is what the record draws"
    if sha256 != drawn:
        if version == __version__ or version not in schema.FIXED:
            said = "the page is not what the record draws"
            return check(path.name, drawn, sha256, False, said)
        said = f"the page is as version {version} saved it; only its fingerprint was checked"
    return check(path.name, sha256, sha256, True, said)


def _name_and_time_checks(path: Path, whole: Certificate, now: datetime) -> Iterator[Check]:
    """The identification is the file's name, and made of what it should be; no time is out of
    order."""
    name, issued_utc, last_utc = whole.identification, whole.issued_utc, whole.measured_until_utc
    yield check(
        "identification", name, path.stem, name == path.stem,
        "the file is named so",
        "the record's identification is not its file's name: one of them was edited",
    )  # fmt: skip
    issued, last = moment(issued_utc), moment(last_utc)
    if issued is None or last is None or not issued_utc.endswith("Z"):
        yield fails("issued_utc", "is not a time as this program writes it", issued_utc)
        return
    made_of = identification_of(issued, whole.captures)
    known = re.fullmatch(rf"{made_of}(-[0-9]+)?", name) is not None
    said = "made of the time of issue and the first recording's fingerprint"
    yield check("identification, its form", name, made_of, known, said)
    words, wrong = "no earlier than measured", "issued before the last measurement"
    yield check("issued_utc", issued_utc, last_utc, last <= issued, words, wrong)
    yield past_check("issued_utc", issued_utc, issued, now)


def _version_and_text_checks(record: Record, whole: Certificate) -> Iterator[Check]:
    """The version that the record names wrote such records, and this fixed text."""
    name, version = whole.program.name, whole.program.version
    wrote = EARLIEST if version == WROTE_EARLIEST else VERSION
    words = f"what program {version} writes"
    yield check("version", whole.version, wrote, whole.version == wrote, words, f"not {words}")
    known = name == PROGRAM and version in schema.FIXED
    yield check(
        "program.version", f"{name} {version}", f"{PROGRAM} {__version__}", known,
        "a version that writes such records",
        "no version that this program knows; the record was edited, or use that version",
    )  # fmt: skip
    digests = schema.FIXED.get(version, {})
    for part in FIXED_TEXT:
        stated, found = digests.get(part, ""), schema.digest_of(part, record[part])
        words, wrong = f"the text of version {version}", "the text was edited"
        yield check(part, stated, found, found == stated, words, wrong)


def _engine_checks(job: Path, whole: Certificate) -> Iterator[Check]:
    """The engine file's text in the record, from which the figures come, and the file in the job.

    The file may have been edited since, or be gone. A recording that was begun with the record's
    text proves it. If it was begun with another, the certificate says so, and only a signature
    proves the text.
    """
    engine = whole.engine_file
    data = engine.text.encode("utf-8", "surrogatepass")
    kept = hashlib.sha256(data).hexdigest()
    yield check(
        f"{engine.name}, its text in the record",
        f"{engine.sha256}, {many(engine.size_bytes, 'byte')}", kept,
        (kept, len(data)) == (engine.sha256, engine.size_bytes),
        "the text kept in the record is the engine file's",
        "the engine file's text in the record was edited",
    )  # fmt: skip
    if engine.name != ENGINE_FILE:
        said = f"an engine file is named {ENGINE_FILE}; the record was edited"
        yield check(engine.name, engine.name, ENGINE_FILE, False, said)
        return
    path = job / engine.name
    file = file_check(path, engine.sha256, CHANGED)
    if file.holds or (not file.found and path.exists()):
        yield file
        return
    begun = {each.engine_sha256 for each in whole.captures if each.used_for != FOR_TDC}
    since = "has been edited since" if file.found else "is no longer there"
    holds, said = True, (
        f"{since}; the recordings were begun with another text, as the certificate says: only a"
        " signature proves the one in the record"
    )  # fmt: skip
    if begun == {engine.sha256}:
        said = f"{since}; the recordings prove the text in the record"
    elif file.found in begun:
        holds = False
        said = "the recordings were begun with this text, not with the one in the record"
    elif "" in begun:
        holds = False
        said = f"{since}, and no recording says with which text it was begun"
    yield check(engine.name, engine.sha256, file.found, holds, said)


CHANGED = "has changed since the certificate was made"


def _capture_check(job: Path, name: str, sha256: str) -> Check:
    if name in ("", ".", "..") or any(each in name for each in "/\\:\0"):
        said = "the record names a file that cannot be in the job; it was edited"
        return fails(name, said, sha256)
    return file_check(job / "captures" / name, sha256, CHANGED)


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
    return [
        each
        for name in RECOMPUTED
        if name in stated or same.same_version  # else a version before that part
        for each in _compared(name, stated.get(name), fresh.get(name), same)
    ]


def compare_part(stated: Any, fresh: Any, *, same_version: bool) -> list[Check]:
    """Compare a sheet of a job with what it should be; sentences only if this version wrote it."""
    same = _With(same_version, same_version)
    return [
        each
        for name in dict.fromkeys((*stated, *fresh))
        for each in _compared(name, stated.get(name, "nothing"), fresh.get(name, "nothing"), same)
    ]


def _compared(where: str, stated: Any, fresh: Any, same: _With) -> Iterator[Check]:
    if is_sentence(where) and not same.same_version:
        if not _same(stated, fresh):
            words = "words of the version that made it; this version words it differently"
            yield check(where, stated, fresh, True, words, sort="reworded")
    elif isinstance(stated, dict) and isinstance(fresh, dict):
        for name in dict.fromkeys((*stated, *fresh)):
            at = f"{where}.{name}"
            if name in stated and name in fresh:
                yield from _compared(at, stated[name], fresh[name], same)
            # Another version may have fields that this one lacks.
            elif same.same_version or (name in stated and not is_sentence(at)):
                one, other = (of.get(name, "nothing") for of in (stated, fresh))
                yield _figure(at, one, other, same)
    elif isinstance(stated, list) and isinstance(fresh, list):
        if len(stated) != len(fresh):
            yield _figure(f"{where}, how many", len(stated), len(fresh), same)
        if _same(stated, fresh) and not any(isinstance(each, (dict, list)) for each in stated):
            n = f"{len(stated)} values"
            yield check(where, n, n, True, "holds", sort="figure")
            return
        for i, (one, other) in enumerate(zip(stated, fresh, strict=False)):
            yield from _compared(f"{where}[{i}]", one, other, same)
    else:
        yield _figure(where, stated, fresh, same)


def _figure(where: str, stated: Any, fresh: Any, same: _With) -> Check:
    holds, words, wrong = _same(stated, fresh), "holds", "differs"
    floats = isinstance(stated, float) and isinstance(fresh, float)
    if not holds and floats and math.isclose(stated, fresh, rel_tol=CLOSE, abs_tol=CLOSE):
        holds = not same.same_program
        words = "holds but for its last digits: other versions computed it"
        wrong = "differs in its last digits only"
    return check(where, stated, fresh, holds, words, wrong, sort="figure")


def _same(stated: Any, fresh: Any) -> bool:
    """Bit for bit: 1 is not 1.0, and -0.0 is not 0.0."""
    return repr(stated) == repr(fresh)


class Origin(Enum):
    """Where a part of the record comes from; the value says how it is proved."""

    FORMAT = "fixed by the format: read or refused"
    TEXT = "fixed text: compared with the digest of the version that wrote it"
    NAME = "the file's name, made of the time of issue and the first recording's digest"
    TIME = "no earlier than the last measurement, and not in the future"
    RECORDING = "computed again from the recordings, with the engine file in the record"
    FILES = "compared with the job's files and the digest in the recordings' heads"
    VERSION = "a version that writes such records; machine and libraries are not proved"


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
"""Part of the record -> where it comes from. TDC that is set by hand is compared with the
notes in the recordings and with the job's ``reference.json``."""

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

    The version that wrote them makes the same words again; another may word them differently.
    """
    return _SENTENCES.fullmatch(where) is not None
