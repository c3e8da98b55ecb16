"""How a record is signed, and a signature checked, with general tools that people have already.

OpenSSH since 8.0 signs files with the key that one logs in with (ssh-keygen(1), -Y); GnuPG signs in
the OpenPGP format (RFC 9580). Both put the signature into a file of its own beside the record.
"""

from __future__ import annotations

from pathlib import Path
from shlex import quote

SIGNERS = "allowed_signers"
"""The reader's own list of keys that he trusts: a line ``NAME ssh-ed25519 AAAA...`` for each."""


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
    """What is to be said of the signatures of a record: how to check those there, or to make one.

    A signature is not checked here: whether a key is to be trusted is for the reader to say.
    """
    there = found(record)
    where = f"in {record.absolute().parent}"
    if not there:
        return [
            "The fingerprints show that nothing was changed, not who made it: whoever alters a",
            f"record can compute new ones. To show who stands behind it, sign it, {where}:",
            *(f"    {command}" for command in to_sign(record.name)),
        ]
    how = to_check(record.name)
    lines = [f"Signed; who signed it is checked so, {where}:", *(f"    {how[f]}" for f in there)]
    if f"{record.name}.sig" in there:
        lines.append(f"({SIGNERS} is your own list of keys, a line each: NAME ssh-ed25519 AAAA...)")
    return lines
