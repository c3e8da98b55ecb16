"""The file of a record: its bytes, its digests, and how it is signed with general tools.

A record file is the text of ``json.dumps(record, indent=1)`` in plain ASCII and a line feed, with
the key ``seals`` last. ``record_sha256`` is the SHA-256 of all bytes before the line that begins
the seals: all lines but the last five. So every byte is fixed: those before by the digest, those
of the seals because they have one form only, and the page by the second digest.

OpenSSH since 8.0 signs files with a login key (ssh-keygen(1), -Y); GnuPG signs in the OpenPGP
format (RFC 9580). Both put the signature into a file of its own beside the record.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from shlex import quote
from typing import Any

from rig.base.codec import json_value
from rig.base.errors import InputError
from rig.base.files import bytes_of
from rig.base.uncertainty import Contribution
from rig.certificate.schema import EARLIEST, FORMAT, VERSION
from rig.tdc.reference import TdcReference
from rig.timing.values import Mark

Record = dict[str, Any]

LARGEST_BYTES = 32 * 1024 * 1024  # a record file larger than this is not read, and not written
_SEALS = ' "seals": {{\n  "record_sha256": "{record}",\n  "page_sha256": "{page}"\n }}\n}}\n'
_SEALED = re.compile(
    re.escape(_SEALS.format(record="@", page="@")).replace("@", "([0-9a-f]{64})").encode()
)
_SEALS_LENGTH = len(_SEALS.format(record=64 * "0", page=64 * "0"))


def body_bytes(record: Record) -> bytes:
    """Give the bytes that the record's own digest is taken over."""
    body = {name: value for name, value in record.items() if name != "seals"}
    text = json.dumps(body, indent=1, ensure_ascii=True, allow_nan=False)
    return (text.removesuffix("\n}") + ",\n").encode("ascii")


def fingerprint(record: Record) -> str:
    """Give the record's own SHA-256, 64 hexadecimal digits."""
    return hashlib.sha256(body_bytes(record)).hexdigest()


def file_bytes(record: Record, page: bytes) -> bytes:
    """Give the bytes of the record's file, closed with its own digest and that of ``page``."""
    body = body_bytes(record)
    record_sha256 = hashlib.sha256(body).hexdigest()
    page_sha256 = hashlib.sha256(page).hexdigest()
    return body + _SEALS.format(record=record_sha256, page=page_sha256).encode("ascii")


@dataclass(frozen=True, slots=True)
class Seal:
    """The digests in a record file's seals, and the digest of its bytes.

    ``stated`` and ``page`` are empty when the seals are missing or in another form.
    """

    stated: str
    found: str
    page: str

    @property
    def holds(self) -> bool:
        """Tell whether no byte of the record has changed since it was saved."""
        return self.stated == self.found


def look_at(data: bytes) -> Seal:
    """Compare a record file's digest with its bytes."""
    body, seals = data[:-_SEALS_LENGTH], data[-_SEALS_LENGTH:]
    match = _SEALED.fullmatch(seals)
    if match is None:
        return Seal("", hashlib.sha256(body).hexdigest(), "")
    return Seal(match[1].decode(), hashlib.sha256(body).hexdigest(), match[2].decode())


def parse(data: bytes, name: str) -> Record:
    """Read a record file's bytes; ``name`` is the file's name for messages.

    Checks only the format and its version. Raises InputError when the bytes are no record or
    one of another version.
    """
    try:
        record = json_value(data, "ascii")
    except InputError as why:
        raise InputError(
            f"{name}: {why}. The file was edited or cut off, or is no certificate as this program "
            "writes it. Take the copy that was saved."
        ) from None
    if not isinstance(record, dict) or record.get("format") != FORMAT:
        raise InputError(f"{name}: is JSON, but not a timing certificate.")
    version = record.get("version")
    if type(version) is not int or not EARLIEST <= version <= VERSION:
        shown = repr(version)[:20]
        raise InputError(
            f"{name}: certificate version {shown}, this program reads {EARLIEST} to {VERSION}. "
            "Use the version of the program that is named in the file."
        )
    for part, value in record.items():
        for each in _tables(value if isinstance(value, list) else [value]):
            _by_new_names(part, each)
    return record


RENAMED = {
    "not decidable": "inconclusive",
    "not judged": "no window set",
    "being set": "adjusting",
}  # verdicts and phases as records of 0.1.0 and 0.2.0 have them, and their names now
RENAMED_KEYS = {
    "play_deg": "backlash_deg",
    "play_error_deg": "backlash_error_deg",
    "stated_tdc_deg": "entered_tdc_deg",
    "stated_tdc_within_deg": "entered_tdc_within_deg",
}  # of the engine file's contents, as records up to 0.4.0 have them


def _by_new_names(part: str, of: dict[str, Any]) -> None:
    """Rename, in a table of a part, what earlier records call differently: keys of
    the engine file, verdicts, phases, marks, methods and sources of uncertainty."""
    if part == "stated":
        for each in _tables([of.get("engine"), of.get("encoder"), *_listed(of.get("units"))]):
            _become(each, {RENAMED_KEYS.get(key, key): value for key, value in each.items()})
    elif part in ("reference", "other_references"):
        _become(of, TdcReference.earlier(of))
    elif part in ("judgements", "comparisons", "readings"):
        for name in ("phase", "verdict", "spread_verdict"):
            if isinstance(of.get(name), str):
                of[name] = RENAMED.get(of[name], of[name])
        for uncertainty in _tables([of.get("uncertainty")]):
            for one in _tables(uncertainty.get("parts")):
                if "name" in one:
                    _become(one, Contribution.earlier(one))
        if isinstance(of.get("marks"), list):
            of["marks"] = [Mark.earlier(mark) for mark in of["marks"]]


def _become(table: dict[str, Any], now: Mapping[str, Any]) -> None:
    now = dict(now)
    table.clear()
    table.update(now)


def _listed(of: Any) -> list[Any]:
    return of if isinstance(of, list) else []


def _tables(of: Any) -> list[dict[str, Any]]:
    return [each for each in _listed(of) if isinstance(each, dict)]


def read_bytes(path: Path) -> bytes:
    """Read a record file whole. Raises InputError when it cannot be read or is too large."""
    if not os.path.isfile(path):
        raise InputError(f"{path}: no such certificate. Name its .json file or its folder.")
    return bytes_of(path, LARGEST_BYTES, "a certificate")


SIGNERS = "allowed_signers"  # the reader's own list of keys that he trusts


def to_sign(name: str) -> tuple[str, str]:
    """The commands that sign the record file ``name``, in its folder; either will do."""
    name = quote(name)
    return (
        f"ssh-keygen -Y sign -n file -f ~/.ssh/id_ed25519 {name}",
        f"gpg --armor --detach-sign {name}",
    )


def to_check(name: str) -> dict[str, str]:
    """File of a signature -> the command that checks it, in the record's folder."""
    ssh, gpg = f"{name}.sig", f"{name}.asc"
    name = quote(name)
    return {
        ssh: f"ssh-keygen -Y verify -n file -f {SIGNERS} -I NAME -s {quote(ssh)} < {name}",
        gpg: f"gpg --verify {quote(gpg)} {name}",
    }


def found(record: Path) -> list[str]:
    """The files of signatures that lie beside a record."""
    return [file for file in to_check(record.name) if record.with_name(file).is_file()]


def words(record: Path) -> list[str]:
    """How to check the signatures of a record, or to make one.

    None is checked here: the reader decides which keys to trust.
    """
    there, how = found(record), to_check(record.name)
    where = f"in {record.absolute().parent}"
    if not there:
        return [
            "The fingerprints show changes, not who made the record: whoever alters it can compute"
            f" new ones. To show who answers for it, sign it, {where}:",
            *(f"    {command}" for command in to_sign(record.name)),
        ]
    lines = [f"Signed. To check who signed it, {where}:", *(f"    {how[f]}" for f in there)]
    if f"{record.name}.sig" in there:
        lines.append(f"({SIGNERS} is your own list of keys, a line each: NAME ssh-ed25519 AAAA...)")
    return lines
