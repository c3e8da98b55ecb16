"""The engines at whose benches a hand does what NEXT says."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from virtual_bench import VirtualBench

from rig.job.folder import Job
from rig.job.new import write_example
from rig.virtual.ground_truth import draw

UPPER, LOWER = 'name = "upper"\ninput = 1\n', 'name = "lower"\ninput = 2\n'
IMPULSE = 'coupling = "impulse"\n'
MESH = """
[[adjustment.mesh]]
driver = "crank"
driver_teeth = 30
driven = "upper"
driven_teeth = 30

[[adjustment.slot]]
unit = "upper"
radius_mm = 60
clockwise_mm = 8
anticlockwise_mm = 8
"""
"""A tooth is 12 degrees of crank; the slot does the rest."""


@dataclass(frozen=True, slots=True)
class BenchEngine:
    """An example's engine file with edits and ``more`` at its end, and a truth: ``out_deg`` is how
    much too early the first unit is, degrees of crank, and ``range_out_deg`` how much more so in
    every setting but its first. ``most_keys``: without the rig check's."""

    example: str = "example"
    edits: tuple[tuple[str, str], ...] = ()
    more: str = ""
    seed: int = 3
    out_deg: float = 0.0
    range_out_deg: float = 0.0
    most_keys: int = 15
    magnet: bool = False  # pulls the rotors through the backlash

    def bench(self, folder: Path) -> VirtualBench:
        """The bench at this engine, its job in ``folder``."""
        write_example(folder, self.example)
        file = folder / "engine.toml"
        text = file.read_text("utf-8")
        for before, after in self.edits:
            assert before in text
            text = text.replace(before, after, 1)
        file.write_text(text + self.more, "utf-8")
        hidden = draw(Job(folder).profile, self.seed, magnet=self.magnet)
        first, *others = hidden.units
        btdc_deg = {
            name: deg + self.out_deg + (self.range_out_deg if nth else 0.0)
            for nth, (name, deg) in enumerate(first.btdc_deg.items())
        }
        units = (replace(first, btdc_deg=btdc_deg), *others)
        return VirtualBench(folder, self.seed, hidden=replace(hidden, units=units))


BENCH_ENGINES: Mapping[str, BenchEngine] = {
    "twin units": BenchEngine(),
    "impulse coupling on one": BenchEngine(edits=((UPPER, UPPER + IMPULSE),), most_keys=24),
    "impulse coupling on both": BenchEngine(
        edits=((UPPER, UPPER + IMPULSE), (LOWER, LOWER + IMPULSE)), most_keys=24
    ),
    "coil set with automatic advance": BenchEngine(
        "two_stroke_single",
        (("lobes = 1\n", 'lobes = 1\nignition = "coil"\nautomatic_advance = true\n'),),
    ),
    "single two-stroke, rim": BenchEngine("two_stroke_single"),
    "backlash": BenchEngine(
        "two_stroke_single", (("lobes = 1\n", "lobes = 1\nplay_deg = 1.5\n"),), magnet=True
    ),
    "run-out": BenchEngine(  # 0.05 degrees inside its early limit
        "two_stroke_single", (("run_out_deg = 0.05", "run_out_deg = 0.3"),), out_deg=0.55
    ),
    "nine-cylinder radial": BenchEngine("radial_nine"),
    "geared propeller": BenchEngine("geared_propeller", most_keys=24),
    "24 degrees out": BenchEngine(more=MESH, out_deg=24.0, range_out_deg=8.0, most_keys=22),
    "24 degrees out behind an impulse coupling": BenchEngine(
        edits=((UPPER, UPPER + IMPULSE),), more=MESH, out_deg=-24.0, most_keys=35
    ),
}
