"""Every corner of the two front ends in the simulator: python firmware_notes/wiring/corners.py

prints a table and, with ``--write``, puts it into ``corners.md`` beside this file. Under a minute
on two free cores.
"""

from __future__ import annotations

import itertools
import os
import sys
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

import numpy as np
from netlist import PLAIN, WINDING, Circuit
from simulate import Build, Primary, Seen, Wave, deck, run, value_of

CARRIER_S: Final = 49e-6  # about; openings are spread over a period of it
OPEN_S: Final = 0.2e-3
LOSSES: Final = 1.25  # so much more current for the same kick, as iron and front end take some
SPEEDS: Final = (5, 30, 60)  # turns a minute

USUAL: Final = Build()
SOON: Final = Build(
    supply_v=14.0, led_threshold_a=5e-3, offset_v=7e-3,
    factors={"R1": 0.95, "R2": 0.95, "R12": 0.99, "R13": 0.99, "R11": 1.01, "R14": 1.01,
             "C3": 1.1, "C1": 1.1, "R8": 0.99, "C2": 0.95},
)  # fmt: skip
LATE: Final = Build(
    supply_v=10.8, led_threshold_a=1e-3, offset_v=-7e-3,
    factors={"R1": 1.05, "R2": 1.05, "R12": 1.01, "R13": 1.01, "R11": 0.99, "R14": 0.99,
             "C3": 0.9, "C1": 0.9, "R8": 1.01, "C2": 1.05, "R15": 0.99, "C7": 0.95},
)  # fmt: skip
"""The two ends of the tolerances: what makes the window comparators switch soonest, and latest."""


@dataclass(frozen=True, slots=True)
class Corner:
    """One run: what is on the engine, the front end's values, how often contacts open."""

    name: str
    primary: Primary
    build: Build = USUAL
    reversed_leads: bool = False
    openings: int = 6
    closed_s: float = 0.25e-3  # between openings: from less, the next is not yet as from rest
    bounces_s: tuple[float, ...] = ()  # after the opening contacts close, open, close, open ...
    circuit: Circuit = WINDING

    @property
    def switched_s(self) -> list[float]:
        """When contacts open and close by turns, each opening at another phase of the carrier."""
        if self.openings == 1:
            return [0.7e-3, 2.5e-3]
        times: list[float] = []
        for n in range(self.openings):
            at = 0.35e-3 + n * (OPEN_S + self.closed_s + CARRIER_S / self.openings)
            times += [at, at + OPEN_S]
        return times

    @property
    def toggles_s(self) -> list[float]:
        """The same, bounces included."""
        first, *rest = self.switched_s
        return [first, *(first + after for after in self.bounces_s), *rest]

    @property
    def end_s(self) -> float:
        """When the run ends."""
        if self.openings > 1:
            return self.switched_s[-1] + self.closed_s
        return self.switched_s[-1] + (0.8e-3 if self.primary.film_ohm > 1.0 else 0.3e-3)


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a corner showed."""

    corner: Corner
    opening_us: tuple[float, ...]  # how late the output followed each opening
    closing_us: tuple[float, ...]
    missed: int  # openings and closings that the output did not follow
    false_closed: int  # the output went to closed while contacts were open
    false_open: int  # and to open while they were closed, before or after it followed
    most_closed_v: float  # largest of the carrier at the window comparators, contacts closed
    stress: dict[str, float] = field(default_factory=dict)

    @property
    def follows(self) -> bool:
        """Each change of the contacts is one change of the output."""
        return not (self.missed or self.false_closed or self.false_open)


def rest_corners() -> list[Corner]:
    """A magnet at rest, or turning too slowly to matter: no current is interrupted."""
    found = []
    for ohm, henry, c, film in itertools.product(
        (0.3, 1.5), (1e-3, 10e-3), (0.1e-6, 0.4e-6), (0.05, 3)
    ):
        name = f"at rest, {ohm:g} ohm, {henry * 1e3:g} mH, {c * 1e6:g} uF, film {film:g} ohm"
        found.append(Corner(name, Primary(ohm, henry, c, film)))
    return found


def live_corners() -> list[Corner]:
    """A turning magneto: 4 A broken, or what rings to 300 V; a winding that hardly saturates."""
    found = []
    numbers = itertools.count()
    for henry, c, film, sign, kick in itertools.product(
        (1e-3, 10e-3), (0.1e-6, 0.4e-6), (0.05, 3), (1, -1), (300, 0)
    ):
        n = next(numbers)
        turned = (n // 2 + n) % 2 == 1
        still = Primary((0.3, 1.5)[n // 4 % 2], henry, c, film)
        amps = min(4.0, LOSSES * kick / still.impedance_ohm) if kick else 4.0
        one = replace(still, broken_a=sign * amps, saturates_a=20.0)
        name = (
            f"{'300 V' if kick else 'largest'}, {sign * amps:.2g} A, {henry * 1e3:g} mH, "
            f"{c * 1e6:g} uF, film {film:g} ohm{', leads reversed' if turned else ''}"
        )
        found.append(Corner(name, one, reversed_leads=turned, openings=1))
    return found


def other_corners() -> list[Corner]:
    """Tolerances of parts, leads reversed at rest, a secondary, iron that saturates, a condenser or
    a winding alone, neither."""
    hard = Primary(0.3, 10e-3, 0.4e-6, 3)
    small = Primary(1.5, 1e-3, 0.1e-6, 3)
    wound = Primary(0.5, 1e-3, 0.1e-6, 3, secondary=True)
    wound2 = Primary(0.5, 5e-3, 0.2e-6, 3, secondary=True)
    return [
        Corner("parts that switch soonest, 10 mH, 0.4 uF, film 3 ohm", hard, SOON),
        Corner("parts that switch latest, 10 mH, 0.4 uF, film 3 ohm", hard, LATE),
        Corner("parts that switch soonest, 1 mH, 0.1 uF, film 3 ohm", small, SOON),
        Corner("parts that switch latest, 1 mH, 0.1 uF, film 3 ohm", small, LATE),
        Corner("leads reversed at rest, 10 mH, 0.4 uF, film 3 ohm", hard, reversed_leads=True),
        Corner("leads reversed at rest, 1 mH, 0.1 uF, film 3 ohm", small, reversed_leads=True),
        Corner("with secondary, 1 mH, 0.1 uF, film 3 ohm", wound),
        Corner("with secondary, 5 mH, 0.2 uF, film 3 ohm", wound2),
        Corner("with secondary, switching latest, 1 mH, 0.1 uF, film 3 ohm", wound, LATE),
        Corner(
            "iron saturates, 4 A, 5 mH, 0.2 uF",
            Primary(0.5, 5e-3, 0.2e-6, 0.05, 4.0),
            openings=1,
        ),
        Corner(
            "with secondary, gap fires at 150 V, 4 A, 5 mH, 0.2 uF",
            Primary(0.5, 5e-3, 0.2e-6, 0.05, 4.0, saturates_a=20.0, secondary=True, gap_v=150.0),
            openings=1,
        ),
        Corner(
            "own voltage 15 V at 20 Hz, 10 mH, 0.4 uF, film 3 ohm",
            replace(hard, own_v=15.0),
            openings=4,
            closed_s=0.6e-3,
        ),
        Corner(
            "own voltage -15 V at 20 Hz, 1 mH, 0.1 uF, film 3 ohm",
            replace(small, own_v=-15.0),
            openings=4,
            closed_s=0.6e-3,
        ),
        Corner(
            "bounces of 15 and 30 us, 4 A, 10 mH, 0.1 uF",
            Primary(0.5, 10e-3, 0.1e-6, 0.05, 4.0, saturates_a=20.0),
            openings=1,
            bounces_s=(60e-6, 75e-6, 160e-6, 190e-6),
        ),
        Corner("contacts alone", Primary(condenser_f=0.0, joined=False)),
        Corner("condenser alone, 0.4 uF, film 3 ohm", Primary(0, 0, 0.4e-6, 3, joined=False)),
    ]


def all_corners() -> list[Corner]:
    """The whole matrix of the front end for winding and condenser."""
    return rest_corners() + live_corners() + other_corners()


def plain_corners() -> list[Corner]:
    """The front end for contacts alone: the LED's switching range, a condenser left on, and the
    whole primary left on by mistake with 4 A in it, either way round."""
    found = []
    for amps in (1e-3, 2.5e-3, 4e-3):
        build = Build(led_threshold_a=amps)
        for farad in (0.0, 0.1e-6, 0.2e-6, 0.4e-6):
            one = Primary(condenser_f=farad, joined=False)
            name = f"LED switches at {amps * 1e3:g} mA, {farad * 1e6:g} uF left on"
            found.append(Corner(name, one, build, openings=1, circuit=PLAIN))
    for sign in (1, -1):
        for c in (0.2e-6, 0.1e-6):
            one = Primary(0.5, 5e-3, c, 0.05, sign * 4.0, saturates_a=20.0)
            name = f"winding left on by mistake, {sign * 4} A, 5 mH, {c * 1e6:g} uF"
            found.append(Corner(name, one, openings=1, circuit=PLAIN))
    return found


def outcome(corner: Corner) -> Outcome:
    """Run one corner."""
    seen = run(
        deck(
            corner.circuit, corner.primary, corner.build, corner.toggles_s, corner.end_s,
            reversed_leads=corner.reversed_leads,
        )
    )  # fmt: skip
    return judge(corner, seen)


def judge(corner: Corner, seen: Seen) -> Outcome:
    """What the output did, against what the contacts did."""
    times = [0.3e-3, *corner.switched_s, corner.end_s]
    edges = [(t, level) for t, level in seen.output_edges() if t > times[0]]
    late: dict[int, list[float]] = {0: [], 1: []}
    missed = false_closed = false_open = 0
    for n, (begin, end) in enumerate(itertools.pairwise(times)):
        wanted = n % 2  # closed first
        here = [(t, level) for t, level in edges if begin <= t < end]
        right = [t for t, level in here if level == wanted]
        wrong = [t for t, level in here if level != wanted]
        if n and not right:
            missed += 1
        elif n:
            late[wanted].append((right[0] - begin) * 1e6)
        extra = len(wrong) + (max(len(right) - 1, 0) if n else 0)
        false_closed += extra if wanted == 1 else 0
        false_open += extra if wanted == 0 else 0
    closed = np.zeros(len(seen.t_s), dtype=bool)
    for begin, end in zip(times[0::2], times[1::2], strict=True):
        closed |= (seen.t_s > begin + (0.15e-3 if begin > times[0] else 0.0)) & (seen.t_s < end)
    most = (
        float(np.abs(seen.between("s", "mid"))[closed].max()) if corner.circuit is WINDING else 0.0
    )
    stress = stress_of(corner, seen) if corner.openings == 1 else {}
    return Outcome(
        corner, tuple(late[1]), tuple(late[0]), missed, false_closed, false_open, most, stress
    )


def _joules(seen: Seen, watts: Wave, begin_s: float) -> float:
    kept = seen.t_s >= begin_s
    return float(np.trapezoid(watts[kept], seen.t_s[kept]))


def stress_of(corner: Corner, seen: Seen) -> dict[str, float]:
    """Largest volts (V), amperes (A) and energy (J) of one opening in what takes the kick."""
    begin = corner.switched_s[0]

    def ohm(ref: str) -> float:
        return value_of(corner.circuit.part(ref).value) * corner.build.factors.get(ref, 1.0)

    def most(wave: Wave) -> float:
        return float(np.abs(wave[seen.t_s >= begin]).max())

    found = {"kick V": most(seen["hot"])}
    if corner.primary.joined:
        found["broken A"] = abs(float(np.interp(begin, seen.t_s, seen["i(v.x_unit.v1)"])))
    if corner.circuit is PLAIN:
        for ref, one, other in (("R2", "n", "m"), ("R3", "m", "lead")):
            across = seen.between(one, other)
            found[f"{ref} V"] = most(across)
            found[f"{ref} J"] = _joules(seen, across**2 / ohm(ref), begin)
        into = seen.between("m", "n") / ohm("R2")
        found["D2 V"] = float((seen.between("n", "lk")).max())
        found["D3 A"] = most(into)
        found["N V"] = most(seen.between("n", "e"))
        found["U2 LED A"] = float((seen.between("v12", "la") / ohm("R1")).max())
        return found
    across = seen.between("lead", "k2")
    found["C1 V"] = most(across)
    for ref, one, other in (("R1", "k2", "k1"), ("R2", "k1", "k"), ("R9", "n", "n2")):
        across = seen.between(one, other)
        found[f"{ref} V"] = most(across)
        found[f"{ref} J"] = _joules(seen, across**2 / ohm(ref), begin)
    through = seen.between("k", "drv") / ohm("R3")
    clamp = seen.between("k1", "k") / ohm("R2") - through
    found["D1 A"] = most(clamp)
    found["D1 J"] = _joules(seen, np.abs(clamp * seen.between("k", "e")), begin)
    found["Q1 Q2 A"] = most(through)
    found["C3 V"] = most(seen.between("lead", "n"))
    found["D2 D3 A"] = most(seen.between("n", "n2") / ohm("R9"))
    varistor = seen["i(v.x_rv1.v1)"]
    found["RV1 A"] = most(varistor)
    found["RV1 J"] = _joules(seen, np.abs(varistor * seen.between("lead", "e")), begin)
    found["U1 least V"] = float(seen.between("s", "e")[seen.t_s >= begin].min())
    found["U2 LED A"] = float((seen.between("v12", "la") / ohm("R20")).max())
    return found


def run_all(corners: Sequence[Corner]) -> list[Outcome]:
    """Run many, as many at a time as there are cores."""
    with ThreadPoolExecutor(os.cpu_count() or 1) as pool:
        return list(pool.map(outcome, corners))


def degrees(us: float, turns_per_min: float) -> float:
    """How far the crank turns in a time."""
    return us * 1e-6 * turns_per_min * 6.0


def table(outcomes: Sequence[Outcome]) -> str:
    """The corners as a table in Markdown."""
    rows = [
        "| corner | follows | opening late, us: mean, worst "
        "| degrees at worst: 5, 30, 60 turns a minute | closing late, us "
        "| most while closed, V | kick, V |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    for o in outcomes:
        late = o.opening_us or (float("nan"),)
        worst = max(late)
        deg = ", ".join(f"{degrees(worst, speed):.4f}" for speed in SPEEDS)
        closing = f"{min(o.closing_us):.0f} to {max(o.closing_us):.0f}" if o.closing_us else ""
        if o.corner.circuit is PLAIN and o.corner.primary.joined:
            says = "not meant to"
        elif o.follows:
            says = "yes"
        else:
            says = f"NO: missed {o.missed}, closed {o.false_closed}, open {o.false_open}"
        kick = f"{o.stress['kick V']:.0f}" if o.stress else ""
        rows.append(
            f"| {o.corner.name} | {says} | {np.mean(late):.1f}, {worst:.1f} | {deg} | {closing} "
            f"| {o.most_closed_v:.3f} | {kick} |"
        )
    return "\n".join(rows)


def worst_stress(outcomes: Sequence[Outcome]) -> dict[str, float]:
    """The largest of each stress (the smallest of those named so)."""
    found: dict[str, float] = {}
    for o in outcomes:
        for name, value in o.stress.items():
            pick = min if "least" in name else max
            found[name] = pick(found.get(name, value), value)
    return found


def page(outcomes: Sequence[Outcome]) -> str:
    """All that was seen, as a page."""
    winding = [o for o in outcomes if o.corner.circuit is WINDING]
    plain = [o for o in outcomes if o.corner.circuit is PLAIN]
    parts = [
        "# Corners",
        "By `python firmware_notes/wiring/corners.py --write`; see [wiring.md](../wiring.md).",
    ]
    for title, own in (("Winding left on (sheet 4)", winding), ("Contacts alone (sheet 3)", plain)):
        if own:
            parts += [f"## {title}", table(own)]
    return "\n\n".join(parts) + "\n"


def main() -> None:
    asked = [word for word in sys.argv[1:] if not word.startswith("-")]
    corners = [
        c
        for c in all_corners() + plain_corners()
        if not asked or any(word in c.name for word in asked)
    ]
    outcomes = run_all(corners)
    text = page(outcomes)
    print(text)
    print("Worst of one opening:")
    for name, value in worst_stress(outcomes).items():
        print(f"  {name}: {value:.3g}")
    if "--write" in sys.argv and not asked:
        Path(__file__).with_name("corners.md").write_text(text, "utf-8")


if __name__ == "__main__":
    main()
