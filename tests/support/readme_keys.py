"""The README's list of keys, from the table of actions. Run, it writes the list into the README."""

from __future__ import annotations

from pathlib import Path

from rig.guide.action import DIGITS
from rig.live.actions import table

README = Path(__file__).parents[2] / "README.md"
BEGIN, END = "<!-- keys -->\n", "<!-- end of keys -->\n"


def key_list() -> str:
    """A line for each action, in the order of the table."""
    head = "| key | does | undo |\n| --- | --- | --- |\n"
    keys = ((f"`{a.key}`" if a.key != DIGITS else "the unit's number", a) for a in table())
    return head + "".join(f"| {key} | {a.does} | {a.undo} |\n" for key, a in keys)


def in_readme(text: str) -> str:
    """The list that stands in the README's ``text``."""
    return text.partition(BEGIN)[2].partition(END)[0]


if __name__ == "__main__":
    before, _, rest = README.read_text("utf-8").partition(BEGIN)
    README.write_text(before + BEGIN + key_list() + END + rest.partition(END)[2], "utf-8")
