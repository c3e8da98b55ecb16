"""Words and figures in large letters of blocks, for the eye that is two metres away.

Each letter is drawn in dots for this program; two dots, one above the other, fill one cell, so a
dot is about square. ``small`` letters take three lines, ``large`` ones five. Without Unicode the
dots are ``#``.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Literal

Size = Literal["small", "large"]

HEIGHT: dict[Size, int] = {"small": 3, "large": 5}


"""Lines of the terminal that a size takes."""


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


def block_width(text: str, size: Size, unicode: bool = True) -> int:
    """Places across that ``text`` takes in ``size``."""
    return len(blocks(text, size, unicode)[0])


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
    pairs = zip(rows[::2], rows[1::2], strict=True)
    return tuple("".join(_place(*dots, unicode) for dots in zip(*p, strict=True)) for p in pairs)


def _place(upper: str, lower: str, unicode: bool) -> str:
    if not unicode:
        return "#" if upper == lower == "#" else " "
    return {"##": "█", "#.": "▀", ".#": "▄"}.get(upper + lower, " ")


@lru_cache(maxsize=2)
def _sheet(size: Size) -> dict[str, tuple[str, ...]]:
    glyphs: dict[str, tuple[str, ...]] = {}
    for sheet in (_SMALL if size == "small" else _LARGE).strip("\n").split("\n\n"):
        head, *rows = (line.split() for line in sheet.splitlines())
        for place, character in enumerate(head):
            glyphs[character] = tuple(row[place] for row in rows)
    wide = 2 if size == "small" else 3
    glyphs[" "] = ("." * wide,) * len(glyphs["0"])
    return glyphs
