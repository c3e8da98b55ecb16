"""The truth behind a run, for tests: a plain dictionary that goes into a JSON file."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from rig.virtual.hidden import Hidden, firing_tops_deg
from rig.virtual.train import ADJUSTED, PULLED, RIDING, SNAPPED
from rig.virtual.world import Happened, World

Entry = dict[str, Any]


@dataclass(slots=True)
class TruthBook:
    """Collects what happened. Angles inside are the world's; they are re-based when written."""

    hidden: Hidden
    changes: list[list[Entry]]
    lists: dict[str, list[Entry]] = field(default_factory=dict)

    @classmethod
    def of(cls, hidden: Hidden) -> TruthBook:
        return cls(hidden, [[] for _ in hidden.units])

    def note(self, name: str, **entry: Any) -> None:
        """Add to one of the lists: touches, index, restarts, slips, settings, moves, commands."""
        self.lists.setdefault(name, []).append(entry)

    def mark(self) -> list[int]:
        """How much has been collected, for ``rewind``."""
        return [len(x) for x in (*self.changes, *self.lists.values())]

    def rewind(self, mark: list[int]) -> None:
        """Forget what was collected after ``mark``."""
        for entries, length in zip((*self.changes, *self.lists.values()), mark, strict=False):
            del entries[length:]
        for entries in list(self.lists.values())[len(mark) - len(self.changes) :]:
            entries.clear()

    def add(self, happened: Happened, world: World) -> None:
        """Changes of the contacts and passages of the index; what the encoder showed then."""
        for touch in self.lists.get("touches", []):
            if "shown" not in touch:
                end = np.array([happened.encoder.last])
                touch["shown"] = float(world.encoder.shown(end)[0])
        for at_s, deg in zip(happened.index_s, happened.index_deg, strict=True):
            self.note("index", t=float(at_s), deg=float(deg))
        for entries, changes in zip(self.changes, happened.changes, strict=True):
            degs = happened.crank.values(changes.t_s)
            shown = world.encoder.shown(happened.encoder.values(changes.t_s))
            speeds = happened.crank.slopes(changes.t_s)
            for k, t_s in enumerate(changes.t_s):
                tag, step = int(changes.tag[k]), int(changes.step[k])
                entries.append(
                    {
                        "t": float(t_s),
                        "open": bool(changes.is_open[k]),
                        "lobe": int(changes.lobe[k]),
                        "deg": float(degs[k]),
                        "shown": float(shown[k]),
                        "direction": 0 if tag == ADJUSTED else step,
                        "kind": {SNAPPED: "impulse", ADJUSTED: "set"}.get(tag, "running"),
                        "pulled": tag in (PULLED, RIDING),
                        "speed_deg_s": round(float(speeds[k]), 4),
                    }
                )

    def write(self, world: World, end_s: float) -> Entry:
        """The whole truth, shaped like the JSON beside a pin recording, with more in it."""
        hidden = self.hidden
        lists = {name: [dict(e) for e in entries] for name, entries in self.lists.items()}
        index = lists.get("index", [])
        zero = index[0]["deg"] if index else None
        for entries in lists.values():
            for entry in entries:
                _rebase(entry, zero)
        period = 360.0 / hidden.encoder.ratio
        tdc = hidden.tdc_deg if zero is None else (hidden.tdc_deg - zero) % 360.0
        return {
            "case": "virtual",
            "seed": hidden.seed,
            "counts_per_rev": hidden.encoder.counts,
            "tdc_deg_after_index": tdc,
            "index_every_deg": period,
            "tops_after_cylinder_1_deg": firing_tops_deg(world.profile.engine),
            "firing_tdc_crank_deg": None if zero is None else self._firing(world, zero),
            "backlash_deg": max((unit.play_deg for unit in hidden.units), default=0.0),
            "encoder_play_deg": hidden.encoder_play_deg,
            "offset_mm": hidden.piston.offset_mm,
            "seconds": end_s,
            "units": self._units(world, zero),
            "touches": [],
            **lists,
        }

    def _firing(self, world: World, zero: float) -> float:
        """A place (modulo the cycle) at which cylinder 1 is at its firing top."""
        turn = 360.0 * self.hidden.firing_turn
        return float((self.hidden.tdc_deg + turn - zero) % world.profile.cycle_deg)

    def _units(self, world: World, zero: float | None) -> Entry:
        units: Entry = {}
        for truth, works, changes in zip(self.hidden.units, world.units, self.changes, strict=True):
            openings: list[Entry] = []
            others: list[Entry] = []
            for k, change in enumerate(changes):
                if not change["open"]:
                    continue
                entry = {key: value for key, value in change.items() if key != "open"}
                before, after = changes[k - 1 : k], changes[k + 1 : k + 2]
                entry["closed_s"] = change["t"] - before[0]["t"] if before else None
                entry["open_s"] = after[0]["t"] - change["t"] if after else None
                _rebase(entry, zero)
                (openings if entry["direction"] > 0 else others).append(entry)
            key = str(truth.input)
            units[key if key not in units else f"{key} {truth.name}"] = {
                "name": truth.name,
                "btdc": self._btdc(truth.btdc_deg[next(iter(truth.btdc_deg))], truth.lobe_deg),
                "btdc_by_setting": {
                    name: self._btdc(deg, truth.lobe_deg) for name, deg in truth.btdc_deg.items()
                },
                "setting": works.setting,
                "moved_deg": works.moved_deg,
                "play_deg": truth.play_deg,
                "scatter_deg": truth.scatter_deg,
                "open_deg": list(truth.open_deg),
                "lag_deg": truth.coupling.lag_deg if truth.coupling else None,
                "openings": openings,
                "others": others,
            }
        return units

    @staticmethod
    def _btdc(mean: float, lobes: tuple[float, ...]) -> list[float]:
        return [mean - later for later in lobes]


def _rebase(entry: Entry, zero: float | None) -> None:
    """Angles of the world become degrees after the first index passed, or null."""
    for name in ("deg", "shown"):
        if name in entry:
            deg = entry.pop(name)
            based = None if zero is None else deg - zero
            entry["crank_deg" if name == "deg" else "shown_deg"] = based
