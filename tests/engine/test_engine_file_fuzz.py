"""Whatever the bytes are: a profile, or ProfileError in printable words. Never anything else."""

from __future__ import annotations

from importlib import resources

from hypothesis import example, given, settings
from hypothesis import strategies as st

from rig.engine.file import Mistake, ProfileError, profile_from_bytes

EXAMPLE = (resources.files("rig.engine") / "example.toml").read_text("utf-8")
LINES = [line for line in EXAMPLE.splitlines() if line and not line.startswith("#")]

VALUES = st.one_of(
    st.integers().map(str),
    st.floats().map(str),
    st.sampled_from(["nan", "-inf", "1e400", "true", "[]", "{}", "[[]]", "{a = 1}", "07:32:00",
                     '"5/16"', '"1/0"', '""', "0xffffffffffffffffffffff", "[1, [2, {b = 3}]]",
                     '"\\u001b[2J"', '"""a\nb"""', "'''\n[unit]\n'''", "[\n1,\n# ]\n2]"]),
    st.text(max_size=20).map(lambda text: '"' + text.replace("\\", "").replace('"', "") + '"'),
)  # fmt: skip


def reads_or_says(data: bytes) -> None:
    mistakes: tuple[Mistake, ...] = ()
    try:
        profile_from_bytes(data)
    except ProfileError as error:
        mistakes = error.mistakes
    for mistake in mistakes:
        assert str(mistake).isprintable()
        assert 0 <= mistake.line <= data.count(b"\n") + 1


@settings(deadline=None)
@given(st.binary(max_size=300))
@example(b"\xff\xfe")
@example(b"\xef\xbb\xbf\xff")
def test_any_bytes(data: bytes) -> None:
    reads_or_says(data)


@settings(max_examples=150, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, len(LINES) - 1), st.sampled_from(["value", "drop", "twice"]),
                  VALUES),
        min_size=1,
        max_size=6,
    )
)  # fmt: skip
def test_the_example_with_lines_changed(changes: list[tuple[int, str, str]]) -> None:
    lines = list(LINES)
    for at, what, value in changes:
        if what == "value" and "=" in lines[at]:
            lines[at] = lines[at].split("=")[0] + "= " + value
        elif what == "drop":
            lines[at] = ""
        else:
            lines[at] += "\n" + lines[at]
    reads_or_says("\n".join(lines).encode("utf-8", "surrogatepass"))


@settings(deadline=None)
@given(st.integers(0, len(EXAMPLE)), st.integers(0, len(EXAMPLE)), st.text(max_size=8))
def test_the_example_cut_and_patched(start: int, length: int, patch: str) -> None:
    text = EXAMPLE[:start] + patch + EXAMPLE[start + length :]
    reads_or_says(text.encode("utf-8", "surrogatepass"))
