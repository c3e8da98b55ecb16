"""Value change dumps (IEEE 1364): the header, and which signals are pins.

The header is small and is read token by token. ``rig.pins.vcd_body`` reads the body. Source of the
format: IEEE Std 1364-2005 clause 18 (content from memory).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from os import PathLike, fspath
from pathlib import Path
from typing import BinaryIO

from rig.base.errors import InputError, reason
from rig.base.files import open_file

TOKEN = re.compile(rb"[^\x00-\x20]+")  # white space separates tokens; line breaks mean nothing
LONGEST_TOKEN = 1 << 20  # bytes; a longer one in the header means that this is no dump
_PIECE = 1 << 18

_UNIT_US = {
    unit: Fraction(10**6, 1000**n) for n, unit in enumerate(("s", "ms", "us", "ns", "ps", "fs"))
}
_TIMESCALE = re.compile(r"(1|10|100)(s|ms|us|ns|ps|fs)")


def excerpt(token: bytes, longest: int = 40) -> str:
    """A piece of the file for a message: printable ASCII, cut if long."""
    text = "".join(chr(c) if 32 <= c < 127 else "?" for c in token[: longest + 1])
    return text[:longest] + "..." if len(token) > longest else text


@dataclass(frozen=True, slots=True)
class Signal:
    """A ``$var`` of the header."""

    code: bytes  # that marks its changes in the body
    name: str
    bits: str  # bit range such as "[3:0]", or empty
    scope: tuple[str, ...]
    kind: str  # wire, reg, real, ...
    width: int

    @property
    def path(self) -> str:
        """Scopes and name with dots: "top.rig.a"."""
        return ".".join((*self.scope, self.name)) + self.bits

    def answers_to(self, name: str) -> bool:
        """Whether ``name`` is its name, alone or with scopes before it, with or without bits."""
        path = self.path
        bare = path[: len(path) - len(self.bits)] if self.bits else path
        return any(full == name or full.endswith("." + name) for full in (path, bare))


@dataclass(frozen=True, slots=True)
class Header:
    """The header of a dump. ``tick_us`` is the step of its time stamps in microseconds."""

    path: str
    signals: tuple[Signal, ...]
    tick_us: Fraction
    body_offset: int  # bytes

    def has(self, name: str) -> bool:
        """Whether any signal answers to ``name``."""
        return any(signal.answers_to(name) for signal in self.signals)

    def pin(self, name: str) -> Signal:
        """The one signal of one bit that answers to ``name``.

        Raises InputError: no such signal (lists those in the file), several, or not one bit.
        """
        found = [signal for signal in self.signals if signal.answers_to(name)]
        if not found:
            raise InputError(
                f"{self.path}: no signal called '{name}'; there are: {self._listed()}. "
                "Name the right one, for example a=NAME."
            )
        if len({signal.code for signal in found}) > 1:
            paths = ", ".join(excerpt(signal.path.encode(), 200) for signal in found[:10])
            raise InputError(
                f"{self.path}: '{name}' may mean {paths}; give the name with its scope."
            )
        if found[0].width != 1 or found[0].kind in ("real", "realtime", "string"):
            raise InputError(
                f"{self.path}: '{name}' is a {excerpt(found[0].kind.encode())} of "
                f"{found[0].width} bits; a pin is one bit. Record the pin as a wire of its own."
            )
        return found[0]

    def _listed(self) -> str:
        names = list(dict.fromkeys(signal.path for signal in self.signals))
        shown = ", ".join(excerpt(name.encode(), 60) for name in names[:20])
        more = f" and {len(names) - 20} more" if len(names) > 20 else ""
        return (shown or "none") + more


_KNOWN = frozenset(
    b"$date $version $comment $timescale $scope $var $upscope $enddefinitions".split()
)
_KEPT = 100  # tokens of a section; long texts are skipped


def read_header(path: str | PathLike[str]) -> Header:
    """Read the header of the dump at ``path``.

    Raises InputError: no such file, no dump, cut off in the header, no or a bad ``$timescale``.
    """
    name = fspath(path)
    try:
        with open_file(Path(name)) as file:
            return _header(name, _tokens(name, file))
    except OSError as error:
        raise InputError(f"{name}: cannot be read: {reason(error)}.") from error


def _tokens(path: str, file: BinaryIO) -> Iterator[tuple[bytes, int]]:
    """Each token with the file offset after it."""
    rest, offset = b"", 0  # ``rest`` begins at ``offset`` in the file
    while piece := file.read(_PIECE):
        data = rest + piece
        kept = len(data)
        for match in TOKEN.finditer(data):
            if match.end() == len(data):  # may go on in the next piece
                kept = match.start()
                break
            yield match.group(), offset + match.end()
        rest, offset = data[kept:], offset + kept
        if len(rest) > LONGEST_TOKEN:
            raise _no_dump(path, rest)
    if rest:
        yield rest, offset + len(rest)


def _sections(
    path: str, tokens: Iterator[tuple[bytes, int]]
) -> Iterator[tuple[bytes, list[bytes], int]]:
    """The word of each section, its tokens, and the file offset after it."""
    first = True
    for word, at in tokens:
        if not word.startswith(b"$"):
            if first:
                raise _no_dump(path, word)
            raise InputError(
                f"{path}: '{excerpt(word)}' in the header belongs to no section "
                f"(byte {at}); the file is damaged or not a value change dump."
            )
        known = not first or word in _KNOWN
        first = False
        if word == b"$end":  # an extra one is harmless
            continue
        body: list[bytes] = []
        for token, end in tokens:
            if token == b"$end":
                yield word, body, end
                break
            body += [token] * (len(body) < _KEPT)
        else:
            raise _cut(path) if known else _no_dump(path, word)
    if first:
        raise InputError(f"{path}: the file is empty; give a value change dump.")
    raise _cut(path)


def _header(path: str, tokens: Iterator[tuple[bytes, int]]) -> Header:
    scope: list[str] = []
    signals: list[Signal] = []
    tick_us: Fraction | None = None
    for word, body, end in _sections(path, tokens):
        if word == b"$timescale":
            tick_us = _tick_us(path, "".join(map(excerpt, body)), tick_us)
        elif word == b"$scope":
            scope.append(_text(body[-1]) if body else "")
        elif word == b"$upscope":
            del scope[-1:]
        elif word == b"$var":
            signals.append(_signal(path, body, end, tuple(scope)))
        elif word == b"$enddefinitions":
            break
    if tick_us is None:
        raise InputError(
            f"{path}: there is no $timescale, so its times mean nothing; add the step "
            "of the recording, for example '$timescale 1 us $end', to its first lines."
        )
    return Header(path, tuple(signals), tick_us, end)


def _tick_us(path: str, text: str, before: Fraction | None) -> Fraction:
    match = _TIMESCALE.fullmatch(text)
    if match is None:
        raise InputError(
            f"{path}: $timescale is '{text}'; it must be 1, 10 or 100 and one of s, ms, "
            "us, ns, ps, fs."
        )
    tick_us = int(match[1]) * _UNIT_US[match[2]]
    if before not in (None, tick_us):
        raise InputError(f"{path}: two different $timescale; leave one of them.")
    return tick_us


def _signal(path: str, body: list[bytes], at: int, scope: tuple[str, ...]) -> Signal:
    if len(body) < 4 or not body[1].isdigit() or len(body[1]) > 9:
        raise InputError(
            f"{path}: '$var {excerpt(b' '.join(body), 80)}' (byte {at}) is not "
            "'$var type width code name $end'."
        )
    words = [_text(token) for token in body[3:]]
    bits = ""
    while len(words) > 1 and words[-1][0] in "[0123456789:]" and "[" in " ".join(words[1:]):
        bits = words.pop() + bits
    name = " ".join(words)
    if not bits and name.endswith("]") and "[" in name[1:]:
        cut = name.rindex("[")
        name, bits = name[:cut].rstrip(), name[cut:]
    return Signal(body[2], name, bits, scope, _text(body[0]), int(body[1]))


def _no_dump(path: str, token: bytes) -> InputError:
    return InputError(
        f"{path}: this is not a value change dump (VCD): it begins with "
        f"'{excerpt(token)}' and not with a section such as $timescale."
    )


def _cut(path: str) -> InputError:
    return InputError(
        f"{path}: ends within its header (no '$enddefinitions $end'); "
        "the file was cut off, record or copy it again."
    )


def _text(token: bytes) -> str:
    return token.decode("utf-8", "replace")
