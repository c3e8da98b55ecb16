"""A grid of character cells to draw on, the finished frame, and the large figures.

Text put on a canvas is made harmless and cut to the grid, so that no text from outside can write
beyond its place or control the terminal.

Each figure is drawn in dots for this program; two dots, one above the other, fill one cell, so a
dot is about square. There are three sizes: ``small`` (three lines), ``middle`` (five) and ``large``
(seven). Without Unicode the dots are ``#``, and small figures are made of strokes.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from itertools import groupby
from typing import TYPE_CHECKING, Literal

from rich.cells import cell_len

from rig.base.escape import clean

if TYPE_CHECKING:
    from rich.console import Console, ConsoleOptions, RenderResult

Role = Literal[
    "text",
    "strong",
    "quiet",
    "inside",
    "outside",
    "inside tag",
    "outside tag",
    "tag",
    "caution",
    "key",
]


"""What a piece of text is for; how it looks follows from it. Words always say the same."""


Run = tuple[str, Role]


@dataclass(frozen=True, slots=True)
class Box:
    """A part of the canvas: ``width`` by ``height`` places from column ``x``, line ``y``."""

    x: int
    y: int
    width: int
    height: int

    @property
    def right(self) -> int:
        """First column beyond it."""
        return self.x + self.width

    @property
    def bottom(self) -> int:
        """First line below it."""
        return self.y + self.height

    def below(self, lines: int) -> Box:
        """What is left of it below its first ``lines`` lines."""
        return Box(self.x, self.y + lines, self.width, max(0, self.height - lines))


@dataclass(frozen=True, slots=True)
class Ink:
    """What the terminal can show: colours, and characters beyond ASCII."""

    colour: bool = True
    unicode: bool = True


# Blue and orange stay apart for every common kind of colour blindness (common practice, no
# source). These three have a contrast of 3 to 1 or more on black and on white ground alike.
# Numbers are of the 256-colour palette that terminals share.
PALETTE = {"blue": (33, "#0087ff"), "orange": (166, "#d75f00"), "grey": (244, "#808080")}
_BLUE, _ORANGE, _GREY = (number for number, _ in PALETTE.values())
_COLOURED: dict[Role, str] = {
    "text": "",
    "strong": "1",
    "quiet": f"38;5;{_GREY}",
    "inside": f"1;38;5;{_BLUE}",
    "outside": f"1;38;5;{_ORANGE}",
    "inside tag": f"1;7;38;5;{_BLUE}",
    "outside tag": f"1;7;38;5;{_ORANGE}",
    "tag": "1;7",
    "caution": f"1;7;38;5;{_ORANGE}",
    "key": "7",
}
_UNCOLOURED: dict[Role, str] = {
    "text": "", "strong": "1", "quiet": "", "inside": "1", "outside": "1", "inside tag": "1;7",
    "outside tag": "1;7", "tag": "1;7", "caution": "1;7", "key": "7",
}  # fmt: skip


def sgr(role: Role, colour: bool) -> str:
    """Parameters of the terminal's "select graphic rendition" (ECMA-48 8.3.117) for ``role``."""
    return (_COLOURED if colour else _UNCOLOURED)[role]


def rich_style(role: Role, colour: bool) -> str:
    """The same as a style of rich."""
    parts = sgr(role, colour).split(";") if sgr(role, colour) else []
    words = {"1": "bold", "7": "reverse"}
    style = [words[part] for part in parts if part in words]
    return " ".join([*style, f"color({parts[-1]})"] if "38" in parts else style)


@dataclass(frozen=True, slots=True)
class Frame:
    """A finished picture of ``width`` by ``height`` places; every line is exactly as wide."""

    width: int
    height: int
    lines: tuple[tuple[Run, ...], ...]
    ink: Ink

    def ansi(self) -> list[str]:
        """The lines with control sequences for how they look, each ending unstyled."""
        return ["".join(_ansi_run(run, self.ink.colour) for run in line) for line in self.lines]

    def plain(self) -> list[str]:
        """The lines as text alone."""
        return ["".join(text for text, _ in line) for line in self.lines]

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """For rich: segments, one line after another."""
        from rich.segment import Segment
        from rich.style import Style

        for line in self.lines:
            for text, role in line:
                yield Segment(text, Style.parse(rich_style(role, self.ink.colour) or "none"))
            yield Segment.line()


def _ansi_run(run: Run, colour: bool) -> str:
    text, role = run
    look = sgr(role, colour)
    return f"\x1b[{look}m{text}\x1b[0m" if look else text


class Canvas:
    """``width`` by ``height`` places, empty at first."""

    def __init__(self, width: int, height: int, ink: Ink) -> None:
        self.width = width
        self.height = height
        self.ink = ink
        self._places = [[" "] * width for _ in range(height)]
        self._roles: list[list[Role]] = [["text"] * width for _ in range(height)]

    def text_width(self, text: str) -> int:
        """Places across that ``text`` will take."""
        return cell_len(clean(text, self.ink.unicode))

    def fit(self, text: str, width: int) -> str:
        """``text`` made harmless and, where it is too long, cut with a sign that it was."""
        text = clean(text, self.ink.unicode)
        if cell_len(text) <= width:
            return text
        kept = ""
        for character in text:
            if cell_len(kept + character) > width - 1:
                break
            kept += character
        return kept + ("…" if self.ink.unicode else "~") if width > 0 else ""

    def put(self, x: int, y: int, text: str, role: Role = "text", width: int | None = None) -> int:
        """Write ``text`` from (x, y), at most ``width`` places; returns the next free column.

        What would lie outside the canvas is left out.
        """
        room = self.width - x if width is None else min(width, self.width - x)
        if not (0 <= y < self.height and 0 <= x < self.width) or room <= 0:
            return x
        text = self.fit(text, room)
        places, roles = self._places[y], self._roles[y]
        if not places[x]:  # the second half of a wide character, whose first half now goes
            places[x - 1] = " "
        if text.isascii() or cell_len(text) == len(text):
            end = x + len(text)
            places[x:end] = text
            roles[x:end] = [role] * len(text)
        else:
            end = self._put_uneven(x, text, role, places, roles)
        if end < self.width and not places[end]:
            places[end] = " "
        return end

    @staticmethod
    def _put_uneven(x: int, text: str, role: Role, places: list[str], roles: list[Role]) -> int:
        """Text in which some characters take two places, or none."""
        start = x
        for character in text:
            across = cell_len(character)
            if across == 0:
                if x > start:
                    owner = x - 1 if places[x - 1] else x - 2
                    places[owner] += character
                continue
            places[x : x + across] = [character, *[""] * (across - 1)]
            roles[x : x + across] = [role] * across
            x += across
        return x

    def put_right(self, end: int, y: int, text: str, role: Role = "text") -> int:
        """Write ``text`` so that it ends before column ``end``; returns where it starts."""
        start = max(0, end - self.text_width(text))
        self.put(start, y, text, role, width=end - start)
        return start

    def put_runs(self, x: int, y: int, runs: list[Run], end: int) -> int:
        """Write one run after another, all before column ``end``."""
        for text, role in runs:
            x = self.put(x, y, text, role, width=max(0, end - x))
        return x

    def runs_width(self, runs: list[Run]) -> int:
        """Places across that ``runs`` will take together."""
        return sum(self.text_width(text) for text, _ in runs)

    def put_wrapped(self, box: Box, text: str, role: Role = "text") -> int:
        """Write ``text`` from the top of ``box``, broken at spaces; returns the lines it took."""
        lines = self.wrap(text, box.width, box.height)
        for row, line in enumerate(lines):
            self.put(box.x, box.y + row, line, role, width=box.width)
        return len(lines)

    def wrap(self, text: str, width: int, rows: int) -> list[str]:
        """``text`` broken at spaces into at most ``rows`` lines of ``width``."""
        lines: list[str] = []
        words = clean(text, self.ink.unicode).split()
        while words and len(lines) < rows:
            if len(lines) == rows - 1:
                lines.append(self.fit(" ".join(words), width))
                break
            line = words.pop(0)
            while words and cell_len(line) + 1 + cell_len(words[0]) <= width:
                line += " " + words.pop(0)
            lines.append(self.fit(line, width))
        return lines

    def frame(self) -> Frame:
        """What has been drawn."""
        return Frame(self.width, self.height, tuple(self._finished()), self.ink)

    def _finished(self) -> Iterator[tuple[Run, ...]]:
        for places, roles in zip(self._places, self._roles, strict=True):
            start, runs = 0, []
            for role, group in groupby(roles):
                end = start + sum(1 for _ in group)
                runs.append(("".join(places[start:end]), role))
                start = end
            yield tuple(runs)


Size = Literal["small", "middle", "large"]

HEIGHT: dict[Size, int] = {"small": 3, "middle": 5, "large": 7}


"""Lines of the terminal that a figure takes."""


_SMALL = """
 0     1     2     3     4     5     6     7     8     9     .  -
 .###. .##.. ####. ####. ...## ##### .###. ##### .###. .###. .. ....
 ##.## ###.. ...## ...## ..### ##... ##... ...## ##.## ##.## .. ....
 ##.## .##.. ..##. .###. .#.## ####. ####. ..##. .###. ##.## .. ####
 ##.## .##.. .##.. ...## ##### ...## ##.## ..##. ##.## .#### .. ....
 ##.## .##.. ##... ...## ...## ...## ##.## .##.. ##.## ...## ## ....
 .###. ####. ##### ####. ...## ####. .###. .##.. .###. .###. ## ....
"""

_MIDDLE = """
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
"""

_LARGE = """
 0         1         2         3         4         5
 ..#####.. ....###.. ..#####.. .######.. .....###. #########
 .#######. ...####.. .#######. ########. ....####. #########
 ####.#### .######.. ####.#### .....#### ...#####. ###......
 ###...### .######.. ###...### ......### ..######. ###......
 ###...### ....###.. ......### ......### ..###.##. ###......
 ###...### ....###.. .....#### .....###. .###..##. #######..
 ###...### ....###.. ....####. ..#####.. .##...##. ########.
 ###...### ....###.. ...####.. ..#####.. ###..###. .....####
 ###...### ....###.. ..####... .....###. ######### ......###
 ###...### ....###.. .####.... ......### ######### ......###
 ###...### ....###.. ####..... ......### .....###. ###...###
 ####.#### ....###.. ###...... .....#### .....###. ####.####
 .#######. .######## ######### ########. .....###. .#######.
 ..#####.. .######## ######### .######.. .....###. ..#####..

 6         7         8         9         .   -
 ....###.. ######### ..#####.. ..#####.. ... .......
 ..#####.. ######### .#######. .#######. ... .......
 .####.... ......### ####.#### ####.#### ... .......
 .###..... .....#### ###...### ###...### ... .......
 ###...... .....###. ###...### ###...### ... .......
 ###...... ....####. .###.###. ###...### ... .......
 #######.. ....###.. ..#####.. ####.#### ... #######
 ########. ...####.. ..#####.. .######## ... #######
 ####.#### ...###... .###.###. ..####### ... .......
 ###...### ...###... ###...### ......### ... .......
 ###...### ..###.... ###...### ......### ... .......
 ####.#### ..###.... ####.#### .....###. ### .......
 .#######. ..###.... .#######. ..#####.. ### .......
 ..#####.. ..###.... ..#####.. ..####... ### .......
"""

_STROKES = """
 0   1   2   3   4   5   6   7   8   9   . -
 .-. .   .-. --. . . .-- .-- --. .-. .-.
 | | |    .' --| |_| '-. |-. .'  )-( '-|   --
 '-' |   '-- --'   | --' '-' |   '-' --' o
"""

_SHEETS: dict[Size, str] = {"small": _SMALL, "middle": _MIDDLE, "large": _LARGE}


def figure_width(text: str, size: Size, unicode: bool = True) -> int:
    """Places across that ``text`` takes in ``size``."""
    return len(figure(text, size, unicode)[0])


@lru_cache(maxsize=512)
def figure(text: str, size: Size, unicode: bool = True) -> tuple[str, ...]:
    """Lines of the terminal that show ``text`` (digits, point, minus) large.

    Raises KeyError for any other character.
    """
    if not unicode and size == "small":
        return _beside(text, _strokes(), gap=1)
    dots = _beside(text, _dots(size), gap=1)
    pairs = zip(dots[::2], dots[1::2], strict=True)
    merged = ("".join(_place(a, b, unicode) for a, b in zip(*pair, strict=True)) for pair in pairs)
    return tuple(merged)


def _place(upper: str, lower: str, unicode: bool) -> str:
    if not unicode:
        return "#" if "#" in (upper, lower) else " "
    return {"##": "█", "#.": "▀", ".#": "▄"}.get(upper + lower, " ")


def _beside(text: str, glyphs: dict[str, tuple[str, ...]], gap: int) -> tuple[str, ...]:
    blank = "." if glyphs is not _strokes() else " "
    rows = zip(*(glyphs[character] for character in text), strict=True)
    return tuple((blank * gap).join(row) for row in rows)


@lru_cache(maxsize=3)
def _dots(size: Size) -> dict[str, tuple[str, ...]]:
    glyphs: dict[str, tuple[str, ...]] = {}
    for sheet in _SHEETS[size].strip("\n").split("\n\n"):
        head, *rows = (line.split() for line in sheet.splitlines())
        for place, character in enumerate(head):
            glyphs[character] = tuple(row[place] for row in rows)
    return glyphs


@lru_cache(maxsize=1)
def _strokes() -> dict[str, tuple[str, ...]]:
    head, *rows = (line[1:] for line in _STROKES.strip("\n").splitlines())
    starts = [place for place, character in enumerate(head) if character != " "]
    ends = [*(start - 1 for start in starts[1:]), starts[-1] + 2]
    return {
        head[start]: tuple(row.ljust(end)[start:end] for row in rows)
        for start, end in zip(starts, ends, strict=True)
    }
