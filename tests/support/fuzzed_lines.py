"""A session's lines with wrong fields, order and numbers, under sound checksums."""

from __future__ import annotations

import zlib

from hypothesis import strategies as st
from recorded import turning

SAID = turning()[0]
BODIES = [line.rsplit(b" ", 1)[0].split(b" ") for line in SAID.splitlines()]
"""Kind, running number and fields of each line."""

KINDS = [b"P", b"C", b"Z", b"W", b"F", b"X", b"H", b"I", b"R", b"Q", b"", b"#", b"PC"]
numbers = st.one_of(
    st.sampled_from([0, 1, 2, 15, 16, 0x7FFF, 0xFFFF, 2**31 - 1, 2**31, 2**32 - 1, 2**32, 2**70]),
    st.integers(0, 2**32 - 1),
).map(lambda value: b"%X" % value)
odd = st.sampled_from([b"", b".", b"+", b"-1", b"+FFFFFFFF", b"-7FFFFFFF", b"ff", b" ", b"\x1b[2J",
                       b"\xff", b"0x1", b"1_0", b"\xd9\xa1", b"a" * 90, b"\r"])  # fmt: skip
fields = numbers | odd

changes = st.one_of(
    st.tuples(st.just("field"), st.integers(1, 8), fields),
    st.tuples(st.just("add"), st.integers(2, 8), st.integers(-(2**32), 2**32) | st.integers(-9, 9)),
    st.tuples(st.just("line"), st.sampled_from(KINDS), st.lists(fields, max_size=9)),
    st.tuples(st.just("drop"), st.integers(1, 300), st.booleans()),
    st.tuples(st.just("again"), st.integers(1, 300), st.integers(1, 5)),
    st.tuples(st.just("swap"), st.integers(1, 60), st.none()),
    st.tuples(st.just("raw"), st.binary(max_size=120), st.none()),
)


@st.composite
def streams(draw: st.DrawFn) -> bytes:
    """The session's lines with changes; checksums made anew, so that the reader believes them."""
    bodies = [list(parts) for parts in BODIES]
    raw: dict[int, bytes] = {}
    for _ in range(draw(st.integers(1, 5))):
        at = draw(st.integers(0, len(bodies) - 1))
        what, one, two = draw(changes)
        parts = bodies[at]
        if what == "field" and one < len(parts):
            parts[one] = two
        elif what == "add" and one < len(parts) and parts[one].isalnum():
            parts[one] = b"%X" % ((int(parts[one], 16) + two) % 2**32) if _hex(parts[one]) else b"0"
        elif what == "line":
            bodies.insert(at, [one, parts[1] if len(parts) > 1 else b"0", *two])
        elif what == "drop":
            del bodies[at : at + one]
            if not two:  # and nothing shows it
                bodies = _renumbered(bodies)
        elif what == "again":
            bodies[at:at] = [list(each) for each in bodies[at : at + one] * two]
            bodies = _renumbered(bodies)
        elif what == "swap":
            bodies[at : at + one] = bodies[at : at + one][::-1]
            bodies = _renumbered(bodies)
        elif what == "raw":
            raw[at] = one
        if not bodies:
            break
    lines = []
    for at, parts in enumerate(bodies):
        body = b" ".join(parts)
        lines.append(raw.get(at, b"") + b"%b %08X\n" % (body, zlib.crc32(body)))
    return b"".join(lines)


def _hex(field: bytes) -> bool:
    return not field.translate(None, b"0123456789ABCDEF")


def _renumbered(bodies: list[list[bytes]]) -> list[list[bytes]]:
    return [[parts[0], b"%X" % (n % 2**16), *parts[2:]] for n, parts in enumerate(bodies)]
