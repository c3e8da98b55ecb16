"""Large figures for the screen, drawn for this program.

Each figure is a picture of dots; two dots, one above the other, make one place of the terminal,
so that a dot is about square. Three sizes: ``small`` three lines high, ``middle`` five, ``large``
seven. Without Unicode the dots become ``#``, and the small figures are made of strokes.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Literal

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
