"""Lines of text for the screen: harmless, measured, wrapped and styled by rich; large letters; a
finished frame.

Text from outside goes through a ``Pen``, so that nothing in it can control the terminal. A line is
a ``rich.text.Text``; a block is a list of lines. Large letters are drawn in dots for this program,
for the eye that is two metres away; two dots, one above the other, fill one cell, so a dot is about
square. ``small`` letters take three lines, ``large`` ones five. Without Unicode the dots are ``#``.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import groupby, zip_longest
from typing import Literal

from rich.color import ColorSystem
from rich.console import Console
from rich.style import Style
from rich.text import Text

from rig.base.escape import clean
from rig.timing.values import Verdict

# What a piece of text is for; how it looks follows from it. Words always say the same.
Role = Literal[
    "text", "strong", "quiet", "inside", "outside", "tag", "warning", "key", "band key",
]  # fmt: skip

# Blue and orange stay apart for every common kind of colour blindness (common practice, no
# source). These three have a contrast of 3 to 1 or more on black and on white ground alike.
# Numbers are of the 256-colour palette that terminals share.
PALETTE = {"blue": (33, "#0087ff"), "orange": (166, "#d75f00"), "grey": (244, "#808080")}
_BLUE, _ORANGE, _GREY = (f"color({number})" for number, _ in PALETTE.values())
STYLES: dict[Role, str] = {
    "text": "",
    "strong": "bold",
    "quiet": _GREY,
    "inside": f"bold {_BLUE}",
    "outside": f"bold {_ORANGE}",
    "tag": "bold reverse",
    "warning": f"bold reverse {_ORANGE}",
    "key": "reverse",
    "band key": "bold not reverse",
}
VERDICT_ROLE: dict[Verdict, Role] = {
    "inside": "inside",
    "outside": "outside",
    "inconclusive": "strong",
    "no window set": "text",
}

Part = str | tuple[str, Role]
Lines = list[Text]
Mark = tuple[int, str, Role]  # at which column, what, and how it looks


@lru_cache(maxsize=1)
def _console() -> Console:
    """Only to look up styles and to wrap: it prints nothing."""
    return Console(width=80, color_system="256", force_terminal=True, _environ={})


@dataclass(frozen=True, slots=True)
class Pen:
    """Makes lines of text that are harmless, and ASCII where the terminal has no more."""

    unicode: bool = True

    def clean(self, text: str) -> str:
        """``text`` without anything that could steer the terminal."""
        return clean(text, self.unicode)

    def text(self, *parts: Part) -> Text:
        """One line of parts, each with its role."""
        line = Text(end="")
        for part in parts:
            words, style = (part, "") if isinstance(part, str) else (part[0], STYLES[part[1]])
            line.append(self.clean(words), style)
        return line

    def wrap(self, width: int, *parts: Part) -> Lines:
        """Parts broken at spaces into lines of ``width``."""
        text = self.text(*parts)
        return list(text.wrap(_console(), max(1, width))) if text.plain else []

    def labelled(self, label: Part, width: int, *parts: Part) -> Lines:
        """Wrapped parts with a label before the first line, the others below the text."""
        head = self.text(label, " ")
        body = self.wrap(width - head.cell_len, *parts)
        return beside([head], body, head.cell_len) if body else []

    def columns(self, width: int, marks: Iterable[Mark]) -> Text:
        """A line of ``width`` with each mark at its column; a later one covers an earlier one.

        Marks are characters of one place each; what lies outside is left out.
        """
        places: list[tuple[str, Role]] = [(" ", "text")] * width
        for start, words, role in marks:
            for column, character in enumerate(self.clean(words), start):
                if 0 <= column < width:
                    places[column] = character, role
        parts: list[Part] = [
            ("".join(character for character, _ in group), role)
            for role, group in groupby(places, key=lambda place: place[1])
        ]
        return self.text(*parts)

    def scale(
        self, width: int, above: Iterable[Mark], line: Iterable[Mark], below: Iterable[Mark]
    ) -> Lines:
        """A line with marks on it, above it and below it."""
        ground: Mark = (0, "╌" * width, "quiet")
        return [self.columns(width, marks) for marks in (above, (ground, *line), below)]

    def rule(self, width: int, left: Text, right: Text) -> Text:
        """A line that divides what is below from what is above, with words at both ends."""
        free = max(0, width - left.cell_len - right.cell_len)
        return ends(left + self.text(("─" * free, "quiet")), right, width)


def span(first: int, last: int) -> list[Mark]:
    """A window or an arc from column to column on the line of a scale."""
    ends: list[Mark] = [(last, "┫", "strong"), (first, "┣", "strong")]
    return [(first, "━" * (last - first + 1), "text"), *ends]


def centred(column: int, words: str, width: int, role: Role) -> Mark:
    """A mark with its middle at ``column``, or as near to that as ``width`` allows."""
    return max(0, min(column - len(words) // 2, width - len(words))), words, role


def fitted(line: Text, width: int) -> Text:
    """``line`` filled with blanks to ``width``; where it is longer, cut with a sign that it was."""
    line = line.copy()
    line.truncate(max(0, width), overflow="ellipsis", pad=True)
    return line


def ends(left: Text, right: Text, width: int) -> Text:
    """``left`` at the left edge and ``right`` at the right one, which is kept whole."""
    return Text.assemble(fitted(left, width - right.cell_len), right, end="")


def beside(left: Sequence[Text], right: Sequence[Text], at: int) -> Lines:
    """Two blocks side by side, the right one from column ``at`` on."""
    blank = Text(end="")
    return [
        Text.assemble(fitted(a, at), b, end="")
        for a, b in zip_longest(left, right, fillvalue=blank)
    ]


@dataclass(frozen=True, slots=True)
class Frame:
    """A finished picture of ``width`` by ``height`` places; every line is exactly as wide."""

    width: int
    height: int
    lines: tuple[Text, ...]
    colour: bool

    @staticmethod
    def of(lines: Sequence[Text], width: int, height: int, *, colour: bool, unicode: bool) -> Frame:
        """The first ``height`` of ``lines``, each filled or cut to ``width``."""
        blank = [Text(end="")] * (height - len(lines))
        whole = [fitted(line, width) for line in (*lines[:height], *blank)]
        if not unicode:
            for line in whole:
                line.plain = line.plain.replace("…", "~")
        return Frame(width, height, tuple(whole), colour)

    def plain(self) -> list[str]:
        """The lines as text alone."""
        return [line.plain for line in self.lines]

    def ansi(self) -> list[str]:
        """The lines with control sequences for how they look, each ending unstyled."""
        return [
            "".join(
                (style if self.colour else style.without_color).render(
                    text, color_system=ColorSystem.EIGHT_BIT
                )
                for text, style in line
            )
            for line in self.runs()
        ]

    def runs(self) -> list[list[tuple[str, Style]]]:
        """Each line as pieces of one style."""
        return [
            [(piece.text, piece.style or Style.null()) for piece in line.render(_console())]
            for line in self.lines
        ]


Size = Literal["small", "large"]
HEIGHT: dict[Size, int] = {"small": 3, "large": 5}  # lines of the terminal

_SMALL = """
 0     1     2     3     4     5     6     7     8     9     .  -
 .###. .##.. ####. ####. ...## ##### .###. ##### .###. .###. .. ....
 ##.## ###.. ...## ...## ..### ##... ##... ...## ##.## ##.## .. ....
 ##.## .##.. ..##. .###. .#.## ####. ####. ..##. .###. ##.## .. ####
 ##.## .##.. .##.. ...## ##### ...## ##.## ..##. ##.## .#### .. ....
 ##.## .##.. ##... ...## ...## ...## ##.## .##.. ##.## ...## ## ....
 .###. ####. ##### ####. ...## ####. .###. .##.. .###. .###. ## ....

 A     C     D     E    I  L    N      O     R     S     T      U     V     Y      °
 .###. .#### ####. #### ## ##.. ##..## .###. ####. .#### ###### ##.## ##.## ##..## .##.
 ##.## ##... ##.## ##.. ## ##.. ###.## ##.## ##.## ##... ..##.. ##.## ##.## ##..## #..#
 ##.## ##... ##.## ###. ## ##.. ###### ##.## ##.## .###. ..##.. ##.## ##.## .####. .##.
 ##### ##... ##.## ##.. ## ##.. ##.### ##.## ####. ...## ..##.. ##.## ##.## ..##.. ....
 ##.## ##... ##.## ##.. ## ##.. ##..## ##.## ##.## ...## ..##.. ##.## .###. ..##.. ....
 ##.## .#### ####. #### ## #### ##..## .###. ##.## ####. ..##.. .###. ..#.. ..##.. ....
"""

_LARGE = """
 0      1      2      3      4      5      6      7      8      9      .  -
 .####. ..##.. .####. #####. ...##. ###### ..###. ###### .####. .####. .. .....
 ###### .###.. ###### ###### ..###. ###### .###.. ###### ###### ###### .. .....
 ##..## ####.. ##..## ....## .####. ##.... ###... ....## ##..## ##..## .. .....
 ##..## ..##.. ....## ....## ##.##. #####. ##.... ...### ##..## ##..## .. .....
 ##..## ..##.. ...### .####. ##.##. ###### #####. ...##. .####. ###### .. #####
 ##..## ..##.. ..###. .####. ###### ....## ###### ..###. .####. .##### .. #####
 ##..## ..##.. .###.. ....## ###### ....## ##..## ..##.. ##..## ....## .. .....
 ##..## ..##.. ###... ....## ...##. ##..## ##..## .###.. ##..## ...### .. .....
 ###### ###### ###### ###### ...##. ###### ###### .##... ###### ..###. ## .....
 .####. ###### ###### #####. ...##. .####. .####. .##... .####. .###.. ## .....

 A      C      D      E     I  L     N       O      R      S      T      U      V      Y      °
 .####. .####. #####. ##### ## ##... ##...## .####. #####. .####. ###### ##..## ##..## ##..## .##.
 ###### ###### ###### ##### ## ##... ###..## ###### ###### ###### ###### ##..## ##..## ##..## #..#
 ##..## ##..## ##..## ##... ## ##... ###..## ##..## ##..## ##..## ..##.. ##..## ##..## ##..## #..#
 ##..## ##.... ##..## ##... ## ##... ####.## ##..## ##..## ##.... ..##.. ##..## ##..## .####. .##.
 ###### ##.... ##..## ####. ## ##... ##.#.## ##..## ###### #####. ..##.. ##..## ##..## .####. ....
 ###### ##.... ##..## ####. ## ##... ##.#.## ##..## #####. .##### ..##.. ##..## ##..## ..##.. ....
 ##..## ##.... ##..## ##... ## ##... ##.#### ##..## ##.##. ....## ..##.. ##..## ##..## ..##.. ....
 ##..## ##..## ##..## ##... ## ##... ##..### ##..## ##.##. ##..## ..##.. ##..## .####. ..##.. ....
 ##..## ###### ###### ##### ## ##### ##..### ###### ##..## ###### ..##.. ###### .####. ..##.. ....
 ##..## .####. #####. ##### ## ##### ##...## .####. ##..## .####. ..##.. .####. ..##.. ..##.. ....
"""


@lru_cache(maxsize=512)
def blocks(text: str, size: Size, unicode: bool = True) -> tuple[str, ...]:
    """Lines of the terminal that show ``text`` (digits and the letters of verdicts) large.

    Raises KeyError for any other character.
    """
    sheet = _sheet(size)
    rows = [".".join(row) for row in zip(*(sheet[character] for character in text), strict=True)]
    if size == "small" and not unicode:  # three lines of # are no letters
        blank = " " * (2 * len(text) - 1)
        return blank, " ".join(text), blank
    signs = {"##": "█", "#.": "▀", ".#": "▄"} if unicode else {"##": "#"}
    pairs = zip(rows[::2], rows[1::2], strict=True)
    return tuple("".join(signs.get(a + b, " ") for a, b in zip(*p, strict=True)) for p in pairs)


@lru_cache(maxsize=2)
def _sheet(size: Size) -> dict[str, tuple[str, ...]]:
    glyphs: dict[str, tuple[str, ...]] = {}
    for sheet in (_SMALL if size == "small" else _LARGE).strip("\n").split("\n\n"):
        head, *rows = (line.split() for line in sheet.splitlines())
        for place, character in enumerate(head):
            glyphs[character] = tuple(row[place] for row in rows)
    return glyphs | {" ": ("." * (2 if size == "small" else 3),) * len(glyphs["0"])}
