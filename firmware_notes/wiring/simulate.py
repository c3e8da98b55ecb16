"""The circuits of ``netlist`` in ngspice: decks, runs, what was seen."""

from __future__ import annotations

import re
import subprocess
import tempfile
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import numpy as np
from netlist import Circuit, Part
from numpy.typing import NDArray
from scipy.optimize import brentq

HERE = Path(__file__).resolve().parent
Wave = NDArray[np.float64]

SCALE: Final = {"p": 1e-12, "n": 1e-9, "u": 1e-6, "m": 1e-3, "k": 1e3, "M": 1e6, "": 1.0}
MODELS: Final = {"D_SIGNAL": "d_signal", "D_HV": "d_hv", "NPN": "npn_small", "PNP": "pnp_small"}


def value_of(words: str) -> float:
    """``3.3 k``, ``220 nF``, ``15 V`` in ohms, farads, volts."""
    found = re.fullmatch(r"([\d.]+) ?([pnumkM]?)[FHV]?", words)
    if not found:
        raise ValueError(f"{words} is no value")
    return float(found[1]) * SCALE[found[2]]


@dataclass(frozen=True, slots=True)
class Build:
    """How one front end came out: its supply, and what its parts differ from their values by."""

    supply_v: float = 12.0
    led_threshold_a: float = 2.5e-3
    offset_v: float = 0.0  # of both window comparators; positive: both switch sooner
    factors: Mapping[str, float] = field(default_factory=dict)  # designator: part of its value


@dataclass(frozen=True, slots=True)
class Primary:
    """A unit on the engine, and what its contacts do."""

    resistance_ohm: float = 0.5
    inductance_h: float = 5e-3
    condenser_f: float = 0.2e-6
    film_ohm: float = 0.05
    broken_a: float = 0.0  # current in the winding when the contacts open; the sign is polarity
    own_v: float = 0.0  # own voltage at 20 Hz from 0 V on; 0: the one that drives that current
    saturates_a: float = 3.0
    gap_v: float = 2000.0  # the spark gap fires at this, in volts of the primary
    secondary: bool = False
    joined: bool = True  # False: contacts alone

    @property
    def flux_vs(self) -> float:
        """Flux linkage at the current to be broken, volt seconds."""

        def current(flux: float) -> float:
            at = flux / (self.inductance_h * self.saturates_a)
            return float(flux / self.inductance_h * (1.0 + at**6))

        if self.broken_a == 0.0:
            return 0.0
        top = abs(self.broken_a) * self.inductance_h
        flux = brentq(lambda x: current(x) - abs(self.broken_a), 0.0, top, xtol=1e-9)
        return float(flux) * (1.0 if self.broken_a > 0.0 else -1.0)

    @property
    def impedance_ohm(self) -> float:
        """Square root of L over C of the unsaturated winding."""
        return float(np.sqrt(self.inductance_h / self.condenser_f))


@dataclass(frozen=True, slots=True)
class Seen:
    """What a run showed: time and each saved voltage."""

    t_s: Wave
    waves: Mapping[str, Wave]

    def __getitem__(self, name: str) -> Wave:
        return self.waves[name]

    def between(self, one: str, other: str) -> Wave:
        """Voltage between two nets."""
        zero: Wave = np.zeros_like(self.t_s)
        return self.waves.get(one, zero) - self.waves.get(other, zero)

    def output_edges(self) -> list[tuple[float, int]]:
        """Times (s) and new levels of the board's input: 1 above 3 V, 0 below 1.5 V (5 V supply;
        thresholds of the ATmega328P, from memory)."""
        level = 1 if self.waves["out"][0] > 2.25 else 0
        edges: list[tuple[float, int]] = []
        out = self.waves["out"]
        for place in np.flatnonzero(np.diff((out > 3.0).astype(int) + (out > 1.5).astype(int))):
            v = out[place + 1]
            new = 1 if v > 3.0 else 0 if v < 1.5 else level
            if new != level:
                edges.append((float(self.t_s[place + 1]), new))
                level = new
        return edges


def element(part: Part, build: Build, ic: Mapping[str, float]) -> str:
    """The part as a line of a deck; empty for a part without an electrical model."""
    nets = [net or f"free_{part.ref}_{n}" for n, net in enumerate(part.nets, 1)]
    kind, name = part.type_name, part.ref
    if part.type.symbol in ("resistor", "capacitor", "capacitor_polar"):
        value = value_of(part.value) * build.factors.get(name, 1.0)
        letter = "R" if part.type.symbol == "resistor" else "C"
        start = f" ic={ic.get(name, 0.0):g}" if letter == "C" else ""
        return f"{letter}_{name} {nets[0]} {nets[1]} {value:g}{start}"
    if kind in ("D_SIGNAL", "D_HV"):
        return f"D_{name} {nets[1]} {nets[0]} {MODELS[kind]}"
    if kind in ("NPN", "PNP"):
        return f"Q_{name} {' '.join(nets)} {MODELS[kind]}"
    if kind in ("TVS", "MOV"):
        return f"X_{name} {nets[0]} {nets[1]} {kind.lower()} v={value_of(part.value):g}"
    if kind == "QUAD":
        return f"X_{name} {' '.join(nets)} quad vos={build.offset_v:g}"
    if kind == "OPTO":
        pins = (nets[1], nets[2], nets[4], nets[5], nets[7])
        return f"X_{name} {' '.join(pins)} opto ith={build.led_threshold_a:g}"
    if kind == "DCDC":
        return f"X_{name} {nets[1]} {nets[0]} {nets[4]} {nets[6]} dcdc vdc={build.supply_v:g}"
    return ""


def net_name(net: str) -> str:
    """A net as the simulator calls it."""
    return {"0V": "0", "5V": "five"}.get(net, net.lower())


def deck(
    circuit: Circuit,
    primary: Primary,
    build: Build,
    switched_s: Iterable[float],
    end_s: float,
    *,
    reversed_leads: bool = False,
    step_s: float = 2e-6,
) -> str:
    """A deck: one front end, 3 m of cable, one unit whose contacts open and close by turns at the
    given times, closed at first. Engine's metal is joined to the board's 0 V (the worst case)."""
    half = build.supply_v / 2.0
    film_v = primary.broken_a * primary.film_ohm * (1.0 if reversed_leads else -1.0)
    starts = {
        "C1": film_v - half,
        "C2": half,
        "C3": film_v - half,
        "C5": half,
        "C6": half,
        "C12": 5.0,
    }
    starts |= {"C7": build.supply_v, "C10": build.supply_v, "C11": build.supply_v, "C13": 5.0}
    lines = [f"timing-rig {circuit.name} front end", f".include {HERE / 'models.lib'}"]
    for part in circuit.parts:
        line = element(part, build, starts)
        if line:
            lines.append(re.sub(r"(?<= )(0V|5V)(?= )", lambda m: net_name(m[0]), line))
    hot, earth = ("e", "lead") if reversed_leads else ("lead", "e")
    lines += [
        "V_board five 0 5",
        "C_pin out 0 50p",
        f"R_cable1 hot x1 0.15\nL_cable1 x1 {hot} 1u\nR_cable2 0 x2 0.15\nL_cable2 x2 {earth} 1u",
        f"C_cable {hot} {earth} 300p",
    ]
    saved = [f"v({net_name(net)})" for net in circuit.nets() if net != "0V"]
    saved += [f"i(v.x_{part.ref}.v1)" for part in circuit.parts if part.type_name == "MOV"]
    points, level = ["0 1"], 1
    for at in switched_s:
        points += [f"{at:.9g} {level}", f"{at + 20e-9:.9g} {1 - level}"]
        level = 1 - level
    lines.append(f"V_ctl ctl 0 pwl({' '.join(points)})")
    if primary.joined:
        saved.append("i(v.x_unit.v1)")
        emf = primary.own_v or -primary.broken_a * (primary.resistance_ohm + primary.film_ohm)
        z = primary.impedance_ohm
        settings = {
            "rw": primary.resistance_ohm, "l": primary.inductance_h, "c": primary.condenser_f,
            "film": primary.film_ohm, "isat": primary.saturates_a, "flux0": primary.flux_vs,
            "v0": -primary.broken_a * primary.film_ohm, "emf": emf, "gap": primary.gap_v,
            "phase": 0.0 if primary.own_v else 90.0,
            "rloss": 15.0 * z,
        }  # fmt: skip
        if primary.secondary:
            settings |= {"csec": 0.5e-6, "lsec": 0.1 * primary.inductance_h, "rsec": 1.0}
        else:
            settings |= {"csec": 1e-12, "lsec": 1e-3, "rsec": 1e6}
        lines.append("X_unit hot 0 ctl unit " + " ".join(f"{k}={v:g}" for k, v in settings.items()))
    else:
        lines.append(f"B_unit hot 0 i=v(hot)*(v(ctl)/{primary.film_ohm:g}+1e-8)")
        if primary.condenser_f:
            lines.append(f"C_unit hot 0 {primary.condenser_f:g}")
    lines += [
        ".save v(hot) " + " ".join(saved).lower(),
        ".options trtol=12 reltol=2e-3 abstol=1e-10 vntol=1e-5 method=gear",
        f".tran {step_s:g} {end_s:g} 0 {step_s:g} uic",
        ".end",
    ]
    return "\n".join(lines) + "\n"


def run(text: str) -> Seen:
    """Run a deck. Raises RuntimeError with the simulator's words when it did not get through."""
    with tempfile.TemporaryDirectory() as folder:
        cir, raw = Path(folder) / "run.cir", Path(folder) / "run.raw"
        cir.write_text(text)
        done = subprocess.run(
            ["ngspice", "-b", "-r", str(raw), str(cir)], capture_output=True, text=True, check=False
        )
        if not raw.exists() or "aborted" in done.stdout + done.stderr:
            raise RuntimeError(done.stdout[-2000:] + done.stderr[-2000:])
        return _raw(raw.read_bytes())


def _raw(data: bytes) -> Seen:
    """A binary raw file of ngspice."""
    head, _, body = data.partition(b"Binary:\n")
    words = head.decode("utf-8", "replace")
    names = re.findall(r"^\t\d+\t(\S+)\t", words, re.MULTILINE)
    table = np.frombuffer(body, dtype=np.float64)
    table = table[: len(table) // len(names) * len(names)].reshape(-1, len(names))
    waves = {re.sub(r"^v\((.*)\)$", r"\1", name): table[:, n] for n, name in enumerate(names)}
    return Seen(waves.pop("time"), waves)
