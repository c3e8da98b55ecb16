"""A board's files read back and its copper traced, in pixels of 0.05 mm.

Nothing of the program that wrote the files is used. Gerber: the Ucamco specification (RS-274X with
X2 attributes), round apertures alone. Excellon: metric, decimal places written out.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

PIXEL_MM = 0.05
Place = tuple[float, float]
Picture = NDArray[np.bool_]


@dataclass
class Layer:
    """Round flashes and strokes, millimetres, y up."""

    function: str
    flashes: list[tuple[Place, float]] = field(default_factory=list)
    strokes: list[tuple[Place, Place, float]] = field(default_factory=list)

    def picture(self, size_mm: Place) -> Picture:
        """The layer in pixels: [y, x]."""
        shape = tuple(round(mm / PIXEL_MM) + 1 for mm in size_mm[::-1])
        found: Picture = np.zeros(shape, dtype=bool)
        for at, mm in self.flashes:
            _paint(found, at, at, mm)
        for one, two, mm in self.strokes:
            _paint(found, one, two, mm)
        return found


def _paint(into: Picture, one: Place, two: Place, mm: float) -> None:
    """All pixels within half of ``mm`` of the line from one to two."""
    half = mm / 2
    low = [min(a, b) - half for a, b in zip(one, two, strict=True)]
    high = [max(a, b) + half for a, b in zip(one, two, strict=True)]
    x0, y0 = (max(int(v / PIXEL_MM), 0) for v in low)
    x1, y1 = (int(v / PIXEL_MM) + 2 for v in high)
    part = into[y0:y1, x0:x1]
    y, x = np.mgrid[y0 : y0 + part.shape[0], x0 : x0 + part.shape[1]] * PIXEL_MM
    dx, dy = two[0] - one[0], two[1] - one[1]
    square = dx * dx + dy * dy
    along = np.clip(((x - one[0]) * dx + (y - one[1]) * dy) / (square or 1.0), 0.0, 1.0)
    part |= np.hypot(x - one[0] - along * dx, y - one[1] - along * dy) <= half


def read_gerber(path: Path) -> Layer:
    """A layer. Raises ValueError for what is not expected."""
    text = path.read_text("ascii")
    function = re.search(r"%TF\.FileFunction,([^*]+)\*%", text)
    if not function or "%FSLAX46Y46*%" not in text or "%MOMM*%" not in text:
        raise ValueError(f"{path.name}: head")
    sizes = {int(code): float(mm) for code, mm in re.findall(r"%ADD(\d+)C,([\d.]+)\*%", text)}
    layer, size, at = Layer(function[1]), 0.0, (0.0, 0.0)
    body = re.sub(r"%[^%]*%|G04[^*]*\*", "", text)
    for word in re.findall(r"([^*\s]+)\*", body):
        if found := re.fullmatch(r"X(-?\d+)Y(-?\d+)D0([123])", word):
            to = (int(found[1]) * 1e-6, int(found[2]) * 1e-6)
            if found[3] == "3":
                layer.flashes.append((to, size))
            elif found[3] == "1":
                layer.strokes.append((at, to, size))
            at = to
        elif found := re.fullmatch(r"D(\d{2,})", word):
            size = sizes[int(found[1])]
        elif word not in ("G01", "M02"):
            raise ValueError(f"{path.name}: {word}")
    if not body.rstrip().endswith("M02*"):
        raise ValueError(f"{path.name}: no end")
    return layer


def read_drill(path: Path) -> list[tuple[Place, float]]:
    """Holes: place and diameter, millimetres."""
    sizes: dict[str, float] = {}
    holes: list[tuple[Place, float]] = []
    tool = ""
    for line in path.read_text("ascii").splitlines():
        if found := re.fullmatch(r"(T\d+)C([\d.]+)", line):
            sizes[found[1]] = float(found[2])
        elif re.fullmatch(r"T\d+", line):
            tool = line
        elif found := re.fullmatch(r"X([\d.]+)Y([\d.]+)", line):
            holes.append(((float(found[1]), float(found[2])), sizes[tool]))
    return holes


@dataclass
class Copper:
    """Both layers of copper as islands, and which islands plated holes join."""

    labels: list[NDArray[np.int32]]
    net_of: dict[tuple[int, int], int]  # layer and island: net

    def net_at(self, place: Place, layer: int = 0) -> int:
        """The net under a place; 0 for none."""
        island = int(self.labels[layer][_pixel(place)])
        return self.net_of.get((layer, island), 0)

    def nets(self, layer: int) -> NDArray[np.int32]:
        """Each pixel's net."""
        table = np.zeros(int(self.labels[layer].max()) + 1, dtype=np.int32)
        for (on, island), net in self.net_of.items():
            if on == layer:
                table[island] = net
        return table[self.labels[layer]]


def _pixel(place: Place) -> tuple[int, int]:
    return round(place[1] / PIXEL_MM), round(place[0] / PIXEL_MM)


def trace(layers: list[Layer], holes: list[tuple[Place, float]], size_mm: Place) -> Copper:
    """Islands of copper, joined where a plated hole goes through them."""
    labels = [ndimage.label(layer.picture(size_mm))[0].astype(np.int32) for layer in layers]
    parent: dict[tuple[int, int], tuple[int, int]] = {}

    def root(one: tuple[int, int]) -> tuple[int, int]:
        while parent.setdefault(one, one) != one:
            one = parent[one]
        return one

    for layer, found in enumerate(labels):
        for island in range(1, int(found.max()) + 1):
            root((layer, island))
    for at, _ in holes:
        met = [(n, int(found[_pixel(at)])) for n, found in enumerate(labels)]
        met = [one for one in met if one[1]]
        for one in met[1:]:
            parent[root(one)] = root(met[0])
    numbers = {each: n for n, each in enumerate(sorted({root(one) for one in parent}), 1)}
    return Copper(labels, {one: numbers[root(one)] for one in parent})


def gaps_mm(nets: NDArray[np.int32]) -> NDArray[np.float64]:
    """Least distance between the copper of each two nets of a layer that have none between them, by
    their numbers; good to a pixel or two. Infinite for two that have.

    Half-way between two nets, what is nearest changes from one to the other."""
    away, nearest = ndimage.distance_transform_edt(nets == 0, return_indices=True)
    net = nets[tuple(nearest)]
    most = int(nets.max()) + 1
    found = np.full((most, most), np.inf)
    for here, there in (np.s_[:-1], np.s_[1:]), (np.s_[:, :-1], np.s_[:, 1:]):
        edge = net[here] != net[there]
        gap = (away[here][edge] + away[there][edge]) * PIXEL_MM
        np.minimum.at(found, (net[here][edge], net[there][edge]), gap)
    return np.asarray(np.minimum(found, found.T))
