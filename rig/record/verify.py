"""Does a certificate still hold? Every fingerprint and every figure, one by one.

The figures are computed anew by a function that is handed in (the session's), from the capture
and the engine file; they have to be the same bit for bit. Where other versions of program or
libraries compute them than those that the record names, its last digits may differ, which is said.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rig.faults import InputError, reason
from rig.files import open_file
from rig.record import page, seal
from rig.record.certificate import as_certificate, record_path
from rig.record.ink import visible
from rig.record.schema import Certificate
from rig.record.seal import Record

Recompute = Callable[[Path, Record], Record]
"""Given the job's folder and the record: a record built anew from capture and engine file.

It takes the engine file's text and the reference from the record. InputError when it cannot.
"""

FIGURES = (
    "measured_from_utc",
    "measured_until_utc",
    "stated",
    "reference",
    "other_references",
    "rules",
    "judgements",
    "comparisons",
    "readings",
    "not_counted",
    "rig_checks",
    "captures",
    "conditions",
    "deviations",
    "changes",
)
"""Parts of the record that are computed anew and compared."""

CLOSE = 1e-9
"""Figures that differ by less than this part of themselves differ by rounding alone."""


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


def verify(certificate: Path, recompute: Recompute, job: Path | None = None) -> list[Check]:
    """Check the certificate at ``certificate`` (its JSON file, its page or its folder).

    ``job`` is the folder with ``engine.toml`` and ``captures/``, found from where the certificate
    lies when it is not given. Whatever was edited, went missing or differs is a check that does
    not hold. Raises InputError only when there is no such certificate at all.
    """
    path = record_path(certificate)
    data = seal.read_bytes(path)
    looked = seal.look_at(data)
    checks = [_seal_check(path, looked)]
    try:
        record = seal.parse(data, path.name)
        whole = as_certificate(record, "record")
    except InputError as error:
        return [*checks, _check("record, its shape", "", "", str(error), holds=False)]
    folder = job if job is not None else job_of(path)
    checks.append(_page_check(path.with_suffix(".html"), looked, record, whole))
    checks += _engine_checks(folder, whole)
    captures = [_file_check(folder / "captures", each.file, each.sha256) for each in whole.captures]
    checks += captures
    missing = [each.what for each in captures if not each.found]
    if missing:
        words = f"not computed anew: {', '.join(missing)} is not there to compute from"
        return [*checks, _check("figures", "", "", words, holds=False)]
    try:
        fresh = recompute(folder, record)
    except InputError as error:
        return [*checks, _check("figures", "", "", f"not computed anew: {error}", holds=False)]
    return checks + compare(record, fresh)


def job_of(path: Path) -> Path:
    """Give the job's folder of a record file: the one that holds ``certificates``."""
    above = path.absolute().parents
    return above[2] if len(above) > 2 else above[-1]


def compare(stated: Record, fresh: Record) -> list[Check]:
    """Compare two records figure by figure, bit for bit; a check for each figure.

    Between different versions of program or libraries, a part of 1e-9 may differ.
    A list of plain values (the readings of a column) is one check while it holds.
    """
    same_version = stated.get("program") == fresh.get("program")
    checks: list[Check] = []
    for name in FIGURES:
        checks += _compared(name, stated.get(name), fresh.get(name), same_version)
    return checks


def _compared(where: str, stated: Any, fresh: Any, same_version: bool) -> Iterator[Check]:
    if isinstance(stated, dict) and isinstance(fresh, dict):
        for name, value in stated.items():
            if name in fresh:
                yield from _compared(f"{where}.{name}", value, fresh[name], same_version)
            else:
                yield _figure(f"{where}.{name}", value, "nothing", same_version)
        if same_version:  # another version may have more to say, which is no fault of this one
            for name, value in fresh.items():
                if name not in stated:
                    yield _figure(f"{where}.{name}", "nothing", value, same_version)
    elif isinstance(stated, list) and isinstance(fresh, list):
        yield from _lists_compared(where, stated, fresh, same_version)
    else:
        yield _figure(where, stated, fresh, same_version)


def _lists_compared(
    where: str, stated: list[Any], fresh: list[Any], same_version: bool
) -> Iterator[Check]:
    if len(stated) != len(fresh):
        yield _figure(f"{where}, how many", len(stated), len(fresh), same_version)
    if _same(stated, fresh) and not any(isinstance(each, (dict, list)) for each in stated):
        yield _check(where, f"{len(stated)} values", f"{len(fresh)} values", "holds", holds=True)
        return
    for i, (one, other) in enumerate(zip(stated, fresh, strict=False)):
        yield from _compared(f"{where}[{i}]", one, other, same_version)


def _figure(where: str, stated: Any, fresh: Any, same_version: bool) -> Check:
    holds = _same(stated, fresh)
    words = "holds" if holds else "differs"
    if (
        not holds
        and isinstance(stated, float)
        and isinstance(fresh, float)
        and math.isclose(stated, fresh, rel_tol=CLOSE, abs_tol=CLOSE)
    ):
        holds = not same_version
        words = "differs in its last digits only"
        if holds:
            words = "holds but for its last digits: other versions computed it"
    return _check(where, _text(stated), _text(fresh), words, holds=holds)


def _same(stated: Any, fresh: Any) -> bool:
    """Bit for bit: 1 is not 1.0, and -0.0 is not 0.0."""
    return repr(stated) == repr(fresh)


def _seal_check(path: Path, looked: seal.Seal) -> Check:
    words = "no byte of the record has changed since it was saved"
    if not looked.stated:
        words = "the record does not end with its fingerprints as it was saved: it was edited"
    elif not looked.holds:
        words = "the record was edited"
    return _check(path.name, looked.stated, looked.found, words, holds=looked.holds)


def _page_check(path: Path, looked: seal.Seal, record: Record, whole: Certificate) -> Check:
    """The page has the digest that the record closes with, and is what the record draws."""
    try:
        if not path.is_file():
            return _check(path.name, looked.page, "", "the page is missing", holds=False)
        with open_file(path) as file:
            found = hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        words = f"the page cannot be read: {reason(error)}"
        return _check(path.name, looked.page, "", words, holds=False)
    drawn = hashlib.sha256(page.render(record).encode("utf-8")).hexdigest()
    if found != looked.page:
        return _check(path.name, looked.page, found, "the page was edited", holds=False)
    if found == drawn:
        words = "the page is what the record draws"
    elif whole.program.version != page.drawn_by():
        words = f"the page is as it was saved by version {whole.program.version}"
    else:
        words = "the page is not what the record draws"
        return _check(path.name, drawn, found, words, holds=False)
    return _check(path.name, looked.page, found, words, holds=True)


def _engine_checks(job: Path, whole: Certificate) -> list[Check]:
    """The engine file's text in the record, which the figures rest on, and the file in the job."""
    engine = whole.engine_file
    kept = hashlib.sha256(engine.text.encode("utf-8", "surrogatepass")).hexdigest()
    held = kept == engine.sha256
    words = "the text kept in the record is the engine file's" if held else (
        "the engine file's text in the record was edited"
    )  # fmt: skip
    return [
        _check(f"{engine.name}, its text in the record", engine.sha256, kept, words, holds=held),
        _file_check(job, engine.name, engine.sha256),
    ]


def _file_check(folder: Path, name: str, sha256: str) -> Check:
    if name in ("", ".", "..") or any(each in name for each in "/\\:\0"):
        words = "the record names a file that cannot lie in the job; it was edited"
        return _check(name, sha256, "", words, holds=False)
    path = folder / name
    try:
        if not path.is_file():
            return _check(name, sha256, "", f"there is no such file in {folder}", holds=False)
        with open_file(path) as file:
            found = hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        return _check(name, sha256, "", f"cannot be read: {reason(error)}", holds=False)
    words = "unchanged" if found == sha256 else "has changed since the certificate was made"
    return _check(name, sha256, found, words, holds=found == sha256)


def _check(what: str, stated: str, found: str, words: str, *, holds: bool) -> Check:
    return Check(visible(what), holds, visible(stated), visible(found), visible(words))


def _text(value: Any) -> str:
    return value if isinstance(value, str) else repr(value)
