"""What is drawn on a sheet, in millimetres of the paper, without the code that draws it.

A PDF's lines are read from its content stream (ISO 32000-1, 8.5: path construction and painting),
its words by poppler; an SVG is read as XML. (poppler's own drawing shifts thin lines by up to a
twentieth of a millimetre, to look crisp.) Places are from the upper left corner, y downwards.
"""

from __future__ import annotations

import math
import re
import shutil
import subprocess
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
from numpy.typing import NDArray

MM_PER_POINT = 25.4 / 72.0
HAS_POPPLER = shutil.which("pdftotext") is not None

SVG = "{http://www.w3.org/2000/svg}"
Points = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Stroke:
    """A line that is drawn: its corners (n, 2) in mm, its colour as ``#rrggbb``, its name."""

    points: Points
    colour: str
    name: str = ""

    @property
    def straight(self) -> bool:
        return len(self.points) == 2

    @property
    def long_mm(self) -> float:
        return float(np.hypot(*np.diff(self.points, axis=0).T).sum())


@dataclass(frozen=True, slots=True)
class Fill:
    """An area that is filled: its corners, those of the area that it is cut to (none: the paper),
    and its colour."""

    points: Points
    within: Points | None
    colour: str


def strokes(path: Path) -> list[Stroke]:
    """All lines of a sheet, letters left out."""
    if path.suffix == ".pdf":
        return [each for each in _of_pdf(path) if isinstance(each, Stroke)]
    return list(_lines(ElementTree.parse(path).getroot(), ""))


def fills(pdf: Path) -> list[Fill]:
    """All areas that a PDF fills, letters and marks left out."""
    return [each for each in _of_pdf(pdf) if isinstance(each, Fill)]


def _of_pdf(path: Path) -> list[Stroke | Fill]:
    """What one page strokes and fills. Letters stand between BT and ET, marks in streams of their
    own."""
    data, high_mm = path.read_bytes(), size_mm(path)[1]
    (page,) = [
        content
        for content in map(_inflated, re.findall(rb"stream\r?\n(.*?)\r?\nendstream", data, re.S))
        if b" re W n" in content
    ]
    found: list[Stroke | Fill] = []
    colour, ground, within = "#000000", "#000000", None
    saved: list[tuple[str, str, Points | None]] = []
    numbers: list[float] = []
    pieces: list[list[tuple[float, float]]] = []

    def in_mm(piece: list[tuple[float, float]]) -> Points:
        return np.array(piece) * MM_PER_POINT * (1.0, -1.0) + (0.0, high_mm)

    for token in re.sub(rb"BT\b.*?\bET\b", b" ", page, flags=re.S).decode("latin-1").split():
        if re.fullmatch(r"[-+]?[\d.]+", token):
            numbers.append(float(token))
            continue
        assert token != "cm" or numbers[:4] == [1.0, 0.0, 0.0, 1.0] or not pieces, "scaled"
        match token:
            case "m":
                pieces.append([(numbers[0], numbers[1])])
            case "l" | "c":
                pieces[-1].append((numbers[-2], numbers[-1]))
            case "h" if pieces:
                pieces[-1].append(pieces[-1][0])
            case "RG" | "G" | "rg" | "g":
                shares = numbers[-3:] if token in ("RG", "rg") else numbers[-1:] * 3
                named = "#" + "".join(f"{round(255.0 * share):02x}" for share in shares)
                colour, ground = (named, ground) if token in ("RG", "G") else (colour, named)
            case "q":
                saved.append((colour, ground, within))
            case "Q":
                colour, ground, within = saved.pop()
            case "W" if pieces:
                within = in_mm(pieces[-1])
            case "S" | "s" | "B" | "b":
                found += [Stroke(in_mm(piece), colour) for piece in pieces]
            case "f":
                found += [Fill(in_mm(piece), within, ground) for piece in pieces]
        if token in ("S", "s", "B", "b", "f", "n"):
            pieces = []
        numbers = []
    return found


def _inflated(stream: bytes) -> bytes:
    try:
        return zlib.decompress(stream)
    except zlib.error:
        return b""  # a stream that is not packed is no page of ours


def size_mm(path: Path) -> tuple[float, float]:
    """Width and height of the paper."""
    if path.suffix == ".pdf":
        found = re.search(rb"/MediaBox \[ 0 0 ([\d.]+) ([\d.]+) \]", path.read_bytes())
        assert found
        return float(found[1]) * MM_PER_POINT, float(found[2]) * MM_PER_POINT
    root = ElementTree.parse(path).getroot()
    assert root.get("viewBox") == "0 0 {} {}".format(
        *(str(root.get(key)).removesuffix("pt") for key in ("width", "height"))
    )
    wide, high = (float(str(root.get(key)).removesuffix("pt")) for key in ("width", "height"))
    return wide * MM_PER_POINT, high * MM_PER_POINT


def words(pdf: Path) -> str:
    """The text of a PDF, spaces evened out."""
    told = subprocess.run(["pdftotext", str(pdf), "-"], capture_output=True, text=True, check=True)
    return " ".join(told.stdout.split())


def _lines(element: ElementTree.Element, name: str) -> Iterator[Stroke]:
    """Lines of an SVG; what has a transformation of its own is a letter."""
    if element.tag == f"{SVG}defs" or element.get("transform"):
        return
    name = element.get("id") or name
    colour = _colour(element)
    if element.tag == f"{SVG}path" and colour:
        for points in _pieces(str(element.get("d"))):
            yield Stroke(points * MM_PER_POINT, colour, name)
    for child in element:
        yield from _lines(child, name)


def _colour(element: ElementTree.Element) -> str:
    style = dict(
        part.split(":", 1)
        for part in str(element.get("style", "")).replace(" ", "").split(";")
        if ":" in part
    )
    text = style.get("stroke", "none")
    return text if text.startswith("#") else ""


def _pieces(d: str) -> Iterator[Points]:
    """The pieces of a path: of a curve, its ends."""
    piece: list[tuple[float, float]] = []
    for letter, rest in re.findall(r"([MLCQZ])([^MLCQZ]*)", d):
        numbers = [float(x) for x in re.findall(r"-?\d+(?:\.\d+)?(?:e-?\d+)?", rest)]
        if letter == "M":
            if len(piece) > 1:
                yield np.array(piece)
            piece = []
        if letter == "Z":
            piece.append(piece[0])
        elif letter in "ML":
            piece += zip(numbers[0::2], numbers[1::2], strict=True)
        else:
            piece.append((numbers[-2], numbers[-1]))
    if len(piece) > 1:
        yield np.array(piece)


def clockwise_deg(centre: Points, place: Points) -> float:
    """Direction from a centre, degrees clockwise of straight up, in (-180, 180]."""
    x, y = place - centre
    return math.degrees(math.atan2(x, -y))
