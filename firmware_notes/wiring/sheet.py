"""A sheet of a wiring drawing as SVG: A4 across, millimetres, black on white."""

from __future__ import annotations

from html import escape
from pathlib import Path

WIDTH_MM, HEIGHT_MM = 297, 210
Point = tuple[float, float]


class Sheet:
    """Symbols are put down at places in millimetres; two-pin parts between two points."""

    def __init__(self, title: str, number: str) -> None:
        self._body: list[str] = []
        self.line((8, 8), (289, 8), (289, 202), (8, 202), (8, 8))
        self.text(12, 17, title, size=5, bold=True)
        self.text(285, 17, f"timing-rig, sheet {number}", anchor="end")
        self.line((8, 21), (289, 21))

    def _add(self, element: str) -> None:
        self._body.append(element)

    def line(self, *points: Point, width: float = 0.35, dash: str = "") -> None:
        path = " ".join(f"{x:g},{y:g}" for x, y in points)
        dashes = f' stroke-dasharray="{dash}"' if dash else ""
        self._add(f'<polyline points="{path}" stroke-width="{width}"{dashes}/>')

    def dot(self, x: float, y: float) -> None:
        self._add(f'<circle cx="{x:g}" cy="{y:g}" r="0.8" fill="#000"/>')

    def terminal(self, x: float, y: float, name: str, side: str = "left") -> None:
        self._add(f'<circle cx="{x:g}" cy="{y:g}" r="1.3" fill="#fff"/>')
        anchor, dx = ("end", -2.4) if side == "left" else ("start", 2.4)
        self.text(x + dx, y + 1.2, name, anchor=anchor)

    def text(
        self,
        x: float,
        y: float,
        words: str,
        *,
        size: float = 3.3,
        anchor: str = "start",
        bold: bool = False,
    ) -> None:
        weight = ' font-weight="bold"' if bold else ""
        self._add(
            f'<text x="{x:g}" y="{y:g}" font-size="{size}" text-anchor="{anchor}"{weight}>'
            f"{escape(words)}</text>"
        )

    def notes(self, x: float, y: float, lines: list[str], size: float = 3.3) -> None:
        for place, words in enumerate(lines):
            self.text(x, y + place * size * 1.45, words, size=size)

    def warning(self, x: float, y: float, width: float, lines: list[str]) -> None:
        """A framed warning."""
        height = 8 + len(lines) * 4.8
        self._add(
            f'<rect x="{x}" y="{y}" width="{width}" height="{height}" stroke-width="0.9" rx="1"/>'
        )
        self.text(x + 3, y + 5.5, "WARNING", size=3.8, bold=True)
        self.notes(x + 3, y + 10.8, lines)

    def box(self, x: float, y: float, width: float, height: float, name: str = "") -> None:
        self._add(f'<rect x="{x}" y="{y}" width="{width}" height="{height}" stroke-width="0.5"/>')
        if name:
            self.text(x + width / 2, y + 5, name, anchor="middle", bold=True)

    def _turned(self, start: Point, end: Point, half: float, symbol: str) -> None:
        """Leads from both ends to a symbol of length 2 half in the middle, drawn along x."""
        (x0, y0), (x1, y1) = start, end
        middle_x, middle_y = (x0 + x1) / 2, (y0 + y1) / 2
        angle = {True: 0 if x1 > x0 else 180, False: 90 if y1 > y0 else 270}[y0 == y1]
        dx = half if angle == 0 else -half if angle == 180 else 0
        dy = half if angle == 90 else -half if angle == 270 else 0
        self.line(start, (middle_x - dx, middle_y - dy))
        self.line((middle_x + dx, middle_y + dy), end)
        self._add(
            f'<g transform="translate({middle_x:g},{middle_y:g}) rotate({angle})">{symbol}</g>'
        )

    def resistor(self, start: Point, end: Point) -> None:
        self._turned(start, end, 5, '<rect x="-5" y="-1.8" width="10" height="3.6"/>')

    def capacitor(self, start: Point, end: Point) -> None:
        plates = '<path d="M-0.8,-3 V3 M0.8,-3 V3" stroke-width="0.6"/>'
        self._turned(start, end, 0.8, plates)

    def diode(self, start: Point, end: Point, clamp: bool = False) -> None:
        """Conducts from start to end. A clamp has the bent bar."""
        bar = "M2,-2.5 V2.5" + (" M2,-2.5 h-1.2 M2,2.5 h1.2" if clamp else "")
        self._turned(start, end, 2, f'<path d="M-2,-2.5 V2.5 L2,0 Z {bar}"/>')

    def varistor(self, start: Point, end: Point) -> None:
        box = '<rect x="-5" y="-1.8" width="10" height="3.6"/><path d="M-5,3 h2 L4,-3"/>'
        self._turned(start, end, 5, box)

    def earth(self, x: float, y: float, name: str = "engine") -> None:
        """Of the engine: bars. Of the board: a triangle. The two are never joined."""
        if name == "engine":
            self.line((x, y), (x, y + 3))
            for place, half in enumerate((3.2, 2, 0.8)):
                self.line((x - half, y + 3 + place * 1.1), (x + half, y + 3 + place * 1.1))
        else:
            self.line((x, y), (x, y + 3))
            self.line((x - 2.6, y + 3), (x + 2.6, y + 3), (x, y + 6.2), (x - 2.6, y + 3))

    def supply(self, x: float, y: float, name: str) -> None:
        self.line((x, y), (x, y - 4))
        self.line((x - 2.5, y - 4), (x + 2.5, y - 4), width=0.6)
        self.text(x, y - 5.4, name, anchor="middle")

    def barrier(self, x: float, top: float, bottom: float, words: str) -> None:
        """The line that no wire crosses."""
        self.line((x, top), (x, bottom), width=0.8, dash="3 1.6")
        self.text(x, top - 2, words, anchor="middle", bold=True)

    # -- boards ---------------------------------------------------------------------------------

    def track(self, points: list[Point], width: float, colour: str) -> None:
        path = " ".join(f"{x:g},{y:g}" for x, y in points)
        self._add(
            f'<polyline points="{path}" stroke="{colour}" stroke-width="{width:g}" '
            'stroke-linecap="round"/>'
        )

    def pad(self, x: float, y: float, across: float, hole: float) -> None:
        self._add(
            f'<circle cx="{x:g}" cy="{y:g}" r="{across / 2:g}" fill="#a0a0a0" stroke="none"/>'
            f'<circle cx="{x:g}" cy="{y:g}" r="{hole / 2:g}" fill="#fff" stroke-width="0.15"/>'
        )

    # -- stripboard -----------------------------------------------------------------------------

    def strip(self, x: float, y: float, width: float, height: float) -> None:
        self._add(
            f'<rect x="{x:g}" y="{y:g}" width="{width:g}" height="{height:g}" fill="#e6d3b3" '
            'stroke="none"/>'
        )

    def hole(self, x: float, y: float, radius: float) -> None:
        self._add(f'<circle cx="{x:g}" cy="{y:g}" r="{radius:g}" fill="#fff" stroke-width="0.15"/>')

    def cross(self, x: float, y: float, half: float) -> None:
        """Marks a place where the strip is drilled away."""
        self.line((x - half, y - half), (x + half, y + half), width=0.4)
        self.line((x - half, y + half), (x + half, y - half), width=0.4)

    def polygon(self, corners: list[Point]) -> None:
        """A body: what is below it can still be seen."""
        path = " ".join(f"{x:g},{y:g}" for x, y in corners)
        self._add(f'<polygon points="{path}" fill="#fff" fill-opacity="0.75"/>')

    def disc(self, x: float, y: float, radius: float) -> None:
        """A round body."""
        self._add(
            f'<circle cx="{x:g}" cy="{y:g}" r="{abs(radius):g}" fill="#fff" fill-opacity="0.75"/>'
        )

    def plate(self, x: float, y: float, words: str, *, turned: bool = False) -> None:
        """Words on a white ground, their middle at x and y."""
        width = 0.56 * 2.6 * len(words) + 0.8
        turn = f' transform="rotate(90 {x:g} {y:g})"' if turned else ""
        self._add(
            f'<rect x="{x - width / 2:g}" y="{y - 1.7:g}" width="{width:g}" height="3.4" '
            f'fill="#fff" stroke="none"{turn}/>'
        )
        self._add(
            f'<text x="{x:g}" y="{y + 0.95:g}" font-size="2.6" text-anchor="middle" '
            f'font-weight="bold"{turn}>{escape(words)}</text>'
        )

    def parts(self, x: float, y: float, rows: list[tuple[str, str, str]]) -> None:
        """Name, value, what it is for."""
        self.text(x, y, "part", bold=True)
        self.text(x + 22, y, "value", bold=True)
        self.text(x + 100, y, "what it is for", bold=True)
        for place, (name, value, why) in enumerate(rows, 1):
            self.text(x, y + place * 4.7, name)
            self.text(x + 22, y + place * 4.7, value)
            self.text(x + 100, y + place * 4.7, why)

    def save(self, path: Path) -> None:
        body = "\n".join(self._body)
        path.write_text(
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH_MM}mm" height="{HEIGHT_MM}mm" '
            f'viewBox="0 0 {WIDTH_MM} {HEIGHT_MM}" font-family="sans-serif">\n'
            f'<rect width="{WIDTH_MM}" height="{HEIGHT_MM}" fill="#fff"/>\n'
            '<g fill="none" stroke="#000" stroke-width="0.35" stroke-linejoin="round">\n'
            "<style>text { fill: #000; stroke: none; }</style>\n"
            f"{body}\n</g>\n</svg>\n",
            encoding="utf-8",
        )
