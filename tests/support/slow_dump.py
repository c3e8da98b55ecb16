"""A second reader of dumps, one token at a time, and random dumps in random layouts.

It follows the same description of the format (IEEE Std 1364-2005 clause 18, content from memory)
and shares no code with the package.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from hypothesis import strategies as st

Row = tuple[int, int, int]  # tick, levels, unknown


def slow_rows(body: bytes, codes: list[bytes]) -> tuple[list[Row], int]:
    """Levels of the pins with ``codes`` after each time stamp that changed them; the last stamp."""
    words = [word.decode("ascii") for word in body.split()]
    names = [code.decode("ascii") for code in codes]
    levels, unknown = [0] * len(names), [1] * len(names)
    rows: list[Row] = []
    given: tuple[list[int], list[int]] = ([0] * len(names), [1] * len(names))
    now, off, at = 0, False, 0

    def change(code: str, value: str) -> None:
        for pin, name in enumerate(names):
            if name == code and not off:
                unknown[pin] = int(value not in "01")
                levels[pin] = int(value) if value in "01" else levels[pin]

    def close() -> None:
        nonlocal given
        if (levels, unknown) != given:
            given = (list(levels), list(unknown))
            rows.append((now, _bits(levels), _bits(unknown)))

    while at < len(words):
        word = words[at]
        at += 1
        if word[0] == "#":
            if int(word[1:]) != now:
                close()
            now = int(word[1:])
        elif word[0] in "01xXzZ":
            change(word[1:], word[0])
        elif word[0] in "bBrR":
            if word[0] in "bB":
                change(words[at], word[-1])
            at += 1
        elif word == "$dumpoff":
            off = True
            unknown[:] = [1] * len(names)
        elif word == "$dumpon":
            off = False
        elif word[0] == "$" and word not in ("$end", "$dumpvars", "$dumpall"):
            while words[at] != "$end":
                at += 1
            at += 1
    close()
    return rows, now


def _bits(flags: list[int]) -> int:
    return sum(flag << place for place, flag in enumerate(flags))


@dataclass
class Dump:
    """A random dump: its text, where its body begins, the codes of its pins."""

    codes: list[bytes]
    header: bytes
    body: bytes
    names: list[str] = field(default_factory=list)


_ODD = "#$01xXzZbBrR!~%a"
_GAPS = st.sampled_from([" ", "\n", "\r\n", "\t", "  ", "\n\n", " \r\n "])
_WORDS = st.lists(
    st.sampled_from(["a", "b1", "#12", "0!", "$var", "r", "b", "1", "$dumpoff", "x#", "b0", "$"]),
    max_size=5,
)


@st.composite
def dumps(draw: st.DrawFn, plain: bool = False) -> Dump:
    """Dumps with every kind of word that may stand between changes; ``plain``: none of these."""
    code = st.text(_ODD, min_size=1, max_size=3 if not plain else 1)
    codes = draw(
        st.lists(code.filter(lambda text: text != "$en"), min_size=5, max_size=8, unique=True)
    )
    names = ["a", "b", "z", "contact1", "contact2"]
    wide = codes[len(names) :]
    gap = st.just("\n") if plain else _GAPS
    values = st.sampled_from("01" if plain else "010101xXzZ")
    scalar = st.builds(lambda value, which: [value + which], values, st.sampled_from(codes[:5]))
    kinds: list[st.SearchStrategy[list[str]]] = [scalar] * 4
    if not plain:
        one_bit = st.builds(
            lambda head, value, which: [head + value, which],
            st.sampled_from("bB"), values, st.sampled_from(codes[:5]),
        )  # fmt: skip
        kinds += [
            one_bit,
            st.builds(lambda words: ["$comment", *words, "$end"], _WORDS),
            st.builds(lambda words: ["$unheard", *words, "$end"], _WORDS),
            st.builds(lambda inner: ["$dumpall", *inner, "$end"], scalar),
            st.just(["$dumpoff", *("x" + which for which in codes[:5]), "$end"]),
            st.builds(lambda inner: ["$dumpon", *inner, "$end"], scalar),
        ]
        if wide:
            vector = st.text("01xz", min_size=1, max_size=6)
            other = st.sampled_from(wide)
            kinds += [
                st.builds(lambda bits, which: ["b" + bits, which], vector, other),
                st.builds(lambda which: ["r1.5", which], other),
            ]
    words: list[str] = []
    now = 0
    if draw(st.booleans()):
        words += ["$dumpvars", *("0" + which for which in codes[:5]), "$end"]
    for _ in range(draw(st.integers(0, 12))):
        now += draw(st.sampled_from([0, 1, 1, 7, 123, 99_999_999, 10**9, 10**17]))
        words.append(f"#{now}")
        for change in draw(st.lists(st.one_of(kinds), max_size=4)):
            words += change
    text = draw(gap) + "".join(word + draw(gap) for word in words)
    variables = "".join(
        f"$var wire 1 {which} {name} $end\n" for which, name in zip(codes[:5], names, strict=True)
    )
    variables += "".join(f"$var wire 6 {which} bus{which} [5:0] $end\n" for which in wide)
    head = f"$timescale 1 fs $end\n$scope module rig $end\n{variables}$enddefinitions $end"
    return Dump([c.encode() for c in codes[:5]], head.encode(), text.encode(), names)
