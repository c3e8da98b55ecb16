"""Whatever the bytes are: a profile that the rest of the program can work with, or ProfileError in
printable words. Never anything else."""

from __future__ import annotations

from collections.abc import Callable
from importlib import resources
from pathlib import Path

from fuzzing import bounded, cases, told
from hypothesis import example, given
from hypothesis import strategies as st
from recorded import turning

from rig.base.errors import InputError, Mistake, ProfileError
from rig.engine.engine_file import profile_from_bytes
from rig.session.session import Session
from rig.tdc.reference import set_by_hand
from rig.wire.reader import LineReader
from rig.words.diagnostics import diagnostic_words

EXAMPLE = (resources.files("rig.job") / "example.toml").read_text("utf-8")
MEANS = """
[adjustment]
keeps = ["cam"]
[[adjustment.slot]]
unit = "upper"
radius_mm = 40
clockwise_mm = 5
anticlockwise_mm = 5
part = "body"
[[adjustment.mesh]]
driver = "crank"
driver_teeth = 24
driven = "upper"
driven_teeth = 24
[[adjustment.gap]]
unit = "lower"
now_mm = 0.4
least_mm = 0.35
most_mm = 0.45
readings = [[0.35, 36.0], [0.45, 34.5]]
opening_u_deg = 0.1
"""
LINES = [x for x in (EXAMPLE + MEANS).splitlines() if x and not x.startswith("#")]

VALUES = st.one_of(
    st.integers().map(str),
    st.floats().map(str),
    st.sampled_from(["nan", "-inf", "1e400", "true", "[]", "{}", "[[]]", "{a = 1}", "07:32:00",
                     '"5/16"', '"1/0"', '""', "0xffffffffffffffffffffff", "[1, [2, {b = 3}]]",
                     '"\\u001b[2J"', '"""a\nb"""', "'''\n[unit]\n'''", "[\n1,\n# ]\n2]", "0", "-1",
                     "1e-300", "1e300", "99999999", "[" * 300 + "]" * 300, "9" * 4400, "0.1",
                     "[" + "1," * 20000 + "]", '"1/99999999999"', '"' + "x" * 9000 + '"', '"upper"',
                     '"lower"', '"full retard"', "[1, 2]", "[4, 3, 2, 1]", "8", "360", "719.9"]),
    st.text(max_size=20).map(lambda text: '"' + text.replace("\\", "").replace('"', "") + '"'),
)  # fmt: skip
Changes = list[tuple[int, str, str]]
CHANGES = st.lists(
    st.tuples(
        st.integers(0, len(LINES) - 1), st.sampled_from(["value", "drop", "twice", "move"]), VALUES
    ),
    min_size=1,
    max_size=6,
)


def reads_or_says(data: bytes) -> None:
    with bounded(data):
        try:
            profile = profile_from_bytes(data)
        except ProfileError as error:
            said(error.mistakes, data)
            return
    reference = set_by_hand(60.0, how="by hand", half_width_deg=0.1)
    session, reader = Session(profile, reference), LineReader()
    for batch in [*reader.feed(turning()[0]), *reader.finish()]:
        session.take(batch)
    session.finish()
    try:
        session.assessments(), session.comparisons(), session.lags()
    except InputError as error:
        told(error)
    for doubt in session.doubts(over=True):
        assert diagnostic_words(doubt).isprintable()


def said(mistakes: tuple[Mistake, ...], data: bytes) -> None:
    assert mistakes
    for mistake in mistakes:
        assert str(mistake).isprintable()
        assert 0 <= mistake.line <= data.count(b"\n") + 1


@cases(50)
@given(st.binary(max_size=300))
@example(b"\xff\xfe")
@example(b"\xef\xbb\xbf\xff")
def test_any_bytes(data: bytes) -> None:
    reads_or_says(data)


@cases(75)
@given(CHANGES)
def test_the_example_with_lines_changed(changes: Changes) -> None:
    reads_or_says(changed(changes))


def changed(changes: Changes) -> bytes:
    lines = list(LINES)
    for at, what, value in changes:
        if what == "value" and "=" in lines[at]:
            lines[at] = lines[at].split("=")[0] + "= " + value
        elif what == "drop":
            lines[at] = ""
        elif what == "move":
            lines.append(lines.pop(at))
        else:
            lines[at] += "\n" + lines[at]
    return "\n".join(lines).encode("utf-8", "surrogatepass")


@cases(50)
@given(st.integers(0, len(EXAMPLE)), st.integers(0, len(EXAMPLE)), st.text(max_size=8))
def test_the_example_cut_and_patched(start: int, length: int, patch: str) -> None:
    text = EXAMPLE[:start] + patch + EXAMPLE[start + length :]
    reads_or_says(text.encode("utf-8", "surrogatepass"))


def guided(home: Path) -> tuple[st.SearchStrategy[bytes], Callable[[bytes], None]]:
    """For the long run by hand."""
    return CHANGES.map(changed), reads_or_says
