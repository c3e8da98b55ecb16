"""Annotations: what the person noted in a capture, and what it means for the readings.

Each annotation takes effect at the rig's time at which it was made. ``Timeline`` is a value that
changes at such times.

The phases of a unit: *as found* until it is first moved; *as left* once everything is tightened;
*adjusting* in between, and after a move that follows the tightening. A move before the first
reading does not start a new phase.
"""

from __future__ import annotations

import bisect
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Generic, TypeVar

from rig.base.earlier_rules import EarlierRule, Rules
from rig.base.errors import InputError
from rig.engine.profile import Profile, Unit
from rig.signal import rig_statistics
from rig.signal.events import Opening, Reason, Rejection
from rig.timing.values import ADJUSTING, Phase

Act = Callable[[float, dict[str, object]], None]


T = TypeVar("T")


class Timeline(Generic[T]):
    """A value that changes at certain times of the rig."""

    def __init__(self, first: T) -> None:
        self._times: list[float] = [-math.inf]
        self._values: list[T] = [first]

    def set(self, t_us: float, value: T) -> None:
        """The value is ``value`` from ``t_us`` on. Times come in order."""
        self._times.append(max(t_us, self._times[-1]))
        self._values.append(value)

    def __len__(self) -> int:
        return len(self._times)

    def back(self) -> None:
        """Undo the last change. Raises InputError when there is none."""
        if len(self._times) == 1:
            raise InputError("there is nothing to undo")
        del self._times[-1], self._values[-1]

    def at(self, t_us: float) -> T:
        """The value at ``t_us``; a change at the same instant is not in effect yet."""
        return self._values[max(bisect.bisect_left(self._times, t_us) - 1, 0)]

    def during(self, from_us: float, to_us: float) -> list[T]:
        """The values in effect at any time from ``from_us`` to ``to_us``, in order."""
        first, last = (bisect.bisect_left(self._times, each) for each in (from_us, to_us))
        return self._values[max(first - 1, 0) : last]

    def began(self, t_us: float) -> float:
        """Since when the value at ``t_us`` is in effect; minus infinity for the first."""
        return self._times[max(bisect.bisect_left(self._times, t_us) - 1, 0)]

    def set_again(self, t_us: float) -> list[float]:
        """When the value at ``t_us`` was set, and set to the same again, in order."""
        n = last = max(bisect.bisect_left(self._times, t_us) - 1, 0)
        while n and self._values[n - 1] == self._values[last]:
            n -= 1
        return self._times[n : last + 1]

    @property
    def last_us(self) -> float:
        """When it was last set; minus infinity when it never was."""
        return self._times[-1]

    @property
    def first(self) -> T:
        """What it was first set to; the value before that when it never was."""
        return self._values[min(1, len(self._values) - 1)]

    @property
    def now(self) -> T:
        """The present value."""
        return self._values[-1]


@dataclass(slots=True)
class UnitNotes:
    """What was noted about one unit."""

    setting: Timeline[str]  # its name
    moving: Timeline[bool]  # it is being moved, the crank held
    drag: Timeline[bool]  # a drag is held on its rotor
    moved_us: list[float] = field(default_factory=list)
    levers_us: list[float] = field(default_factory=list)


class Annotations:
    """The annotations of a capture, each in effect from the rig's time at which it was made."""

    def __init__(self, profile: Profile, rules: Rules = ()) -> None:
        self._units = profile.units
        self._rules = rules
        self.remarks: list[str] = []
        self.changes: list[tuple[str, str]] = []  # what was changed, on which unit ("": on all)
        self.changed_us: list[float] = []  # and when
        self.steps: set[str] = set()  # steps entered as done
        self.skipped: set[str] = set()  # steps skipped
        self.of = {
            unit.name: UnitNotes(Timeline(unit.settings[0].name), Timeline(False), Timeline(False))
            for unit in profile.units
        }
        self._work_us: list[float] = []  # beginnings and ends of rig check steps and of other work
        self._step: Timeline[tuple[str, str]] = Timeline(("", ""))  # rig check step, and its unit
        self._phase: Timeline[Phase] = Timeline("as found")
        self._rejected: dict[float, Rejection] = {}
        # Handlers by kind of note; they raise if a note makes no sense.
        self.acts: dict[str, Act] = {
            "setting": self._setting,
            rig_statistics.NOTE: self._check_step,
            "drag": self._hold_drag,
            "moving": self._move,
            "moved": self._was_moved,
            "phase": self._tightened,
            "strike": self._strike,
            "said": self._step_done,
            "skipped": lambda _, value: _mark(self.skipped, value),
            "change": self._change,
            "remark": lambda _, value: put(self.remarks, value, lambda: str(value["text"])),
        }

    def unit(self, name: str) -> Unit:
        """The unit of that name. Raises InputError if there is none."""
        for unit in self._units:
            if unit.name == name:
                return unit
        names = ", ".join(unit.name for unit in self._units)
        raise InputError(f"there is no unit {name!r}; the engine file has {names}")

    # -- in effect --------------------------------------------------------------------------------

    def asked_at(self, unit: str, t_us: float) -> bool:
        """Whether the contacts of ``unit`` were meant to open at ``t_us`` without turning: it was
        being moved, or a step of the rig check asked for it."""
        step, of = self._step.at(t_us)
        asked = step in (rig_statistics.BY_HAND, rig_statistics.OFF, rig_statistics.ON)
        return self.of[unit].moving.at(t_us) or (asked and of in ("", unit))

    def by_hand_at(self, unit: str, t_us: float) -> bool:
        """Whether the contacts of ``unit`` were opened by hand at ``t_us`` for the rig check."""
        step, of = self._step.at(t_us)
        return step == rig_statistics.BY_HAND and of in ("", unit)

    def was_off(self, which: int, from_us: float, to_us: float) -> bool:
        """Whether the switch of a unit on input ``which`` was tried at OFF at any time from
        ``from_us`` to ``to_us``."""
        on_it = {unit.name for unit in self._units if unit.input == which}
        return any(
            step == rig_statistics.OFF and (of in on_it if of else bool(on_it))
            for step, of in self._step.during(from_us, to_us)
        )

    @property
    def proving_switch(self) -> bool:
        """Whether a switch is being checked now: contacts behind it stay earthed on purpose."""
        return self._step.now[0] in (rig_statistics.OFF, rig_statistics.ON)

    def by_hand_us(self, unit: str) -> list[float]:
        """When something on ``unit`` was moved by hand, as noted: itself, its lever, its contacts
        for their gap; a switch or a lead for a step of the rig check."""
        return [*self.moved_us(unit), *self.of[unit].levers_us, *self._work_us]

    @property
    def tightened(self) -> bool:
        """Whether everything was entered as tightened, and no unit was moved since."""
        since_us = self._phase.last_us
        moved = any(m > since_us for unit in self._units for m in self.moved_us(unit.name))
        return self._phase.now == "as left" and not moved

    def moved_us(self, unit: str) -> list[float]:
        """When ``unit`` was moved or something on it changed, in order."""
        moved = [t for t in self.of[unit].moved_us if t not in self._rejected]
        changed = zip(self.changes, self.changed_us, strict=True)
        return sorted([*moved, *(t for (_, on), t in changed if on in ("", unit))])

    def phase_at(self, unit: str, t_us: float, read_us: Sequence[float]) -> Phase:
        """The phase of a reading of ``unit`` at ``t_us``; see ``phase_of``."""
        return phase_of(t_us, self._phase, self.moved_us(unit), read_us)

    def moved_since(self, unit: str, t_us: float) -> bool:
        """Whether ``unit`` was moved, or something on it changed, after ``t_us``."""
        moved_us = self.moved_us(unit)
        if EarlierRule.MEAN_SPANS_MOVES in self._rules:
            return False
        return bool(moved_us) and moved_us[-1] > t_us

    def phase_began(self, t_us: float) -> float:
        """Since when the phase entered for ``t_us`` is in effect; minus infinity for the first."""
        return self._phase.began(t_us)

    def rejected(self, t_us: float) -> Rejection | None:
        """Why the person rejected the opening at ``t_us``; None if not."""
        return self._rejected.get(t_us)

    # -- notes ------------------------------------------------------------------------------------

    def _setting(self, t_us: float, value: dict[str, object]) -> None:
        unit = self.unit(str(value["unit"]))
        setting = self.of[unit.name].setting
        if value.get("back"):
            setting.back()
        else:
            name = str(value["setting"])
            if name not in {each.name for each in unit.settings}:
                raise InputError(f"{unit.name} has no setting {name!r}")
            setting.set(t_us, name)
        for each in self._in_one_body(unit):
            put(self.of[each.name].levers_us, value, lambda: t_us)

    def _check_step(self, t_us: float, value: dict[str, object]) -> None:
        step = str(value["step"])
        # Switches and leads are moved before such a step, and after a switch was checked.
        leads = (rig_statistics.OFF, rig_statistics.ON, rig_statistics.TURN)
        if self.proving_switch or step in leads:
            self._work_us.append(t_us)
        self._step.set(t_us, (step, str(value.get("unit") or "")))

    def _hold_drag(self, t_us: float, value: dict[str, object]) -> None:
        """On the rotor of a unit, which is that of each unit in its body."""
        for unit in self._in_one_body(self.unit(str(value["unit"]))):
            drag = self.of[unit.name].drag
            drag.back() if value.get("back") else drag.set(t_us, not value.get("end"))

    def _move(self, t_us: float, value: dict[str, object]) -> None:
        moving = self.of[self.unit(str(value["unit"])).name].moving
        moving.set(float(str(value.get("from_us", t_us))), not value.get("end"))
        if not value.get("end"):
            self._was_moved(t_us, value)

    def _was_moved(self, t_us: float, value: dict[str, object]) -> None:
        """It, and what is in one body with it."""
        from_us = float(str(value.get("from_us", t_us)))
        for unit in self._in_one_body(self.unit(str(value["unit"]))):
            put(self.of[unit.name].moved_us, value, lambda: from_us)

    def _in_one_body(self, unit: Unit) -> list[Unit]:
        """``unit`` and every other unit in its body."""
        return [u for u in self._units if u is unit or (u.body and u.body == unit.body)]

    def _tightened(self, t_us: float, value: dict[str, object]) -> None:
        if value.get("back"):
            self._phase.back()
        else:
            self._phase.set(t_us, "as left" if value["phase"] == "as left" else "as found")

    def _strike(self, t_us: float, value: dict[str, object]) -> None:
        rejected = float(str(value["t_us"]))
        if value.get("back"):
            self._rejected.pop(rejected, None)
        else:
            noted = value.get("why")
            self._rejected[rejected] = Rejection(Reason.BY_HAND, (str(noted),) if noted else ())

    def _step_done(self, t_us: float, value: dict[str, object]) -> None:
        _mark(self.steps, value)
        self._work_us.append(t_us)

    def _change(self, t_us: float, value: dict[str, object]) -> None:
        put(self.changes, value, lambda: (str(value["words"]), str(value.get("unit", ""))))
        put(self.changed_us, value, lambda: t_us)


def _mark(steps: set[str], value: Mapping[str, object]) -> None:
    """Add the step that a note names; ``{"back": true}`` removes it."""
    (steps.discard if value.get("back") else steps.add)(str(value["step"]))


def put(of: list[T], value: Mapping[str, object], item: Callable[[], T]) -> None:
    """Append ``item`` to ``of``; a note with ``{"back": true}`` removes the last."""
    if value.get("back"):
        del of[-1:]
    else:
        of.append(item())


def asked_for(
    annotations: Annotations, turned_us: Sequence[float], unit: str, opening: Opening
) -> bool:
    """Whether contacts opened at rest because the person did what the program asked for, or noted a
    move before the crank was turned again. ``turned_us``: when it was turned, in order."""
    if annotations.asked_at(unit, opening.t_us):
        return True
    nth = bisect.bisect_left(turned_us, opening.t_us)
    since_us = turned_us[nth - 1] if nth else -math.inf
    nth = bisect.bisect_right(turned_us, opening.t_us)
    until_us = turned_us[nth] if nth < len(turned_us) else math.inf
    return any(since_us <= noted_us <= until_us for noted_us in annotations.by_hand_us(unit))


def phase_of(
    t_us: float, entered: Timeline[Phase], moved_us: Sequence[float], read_us: Sequence[float]
) -> Phase:
    """The phase of a reading at ``t_us``, by the phases entered (``entered``).

    ``moved_us`` are the times at which its unit was moved, ``read_us`` those of its valid readings,
    in order.
    """
    phase = entered.at(t_us)
    since_us, *again = entered.set_again(t_us)
    before_us = since_us
    # Tightened once more: it counts from there if the unit was moved after a reading.
    for again_us in again:
        moved = (m for m in moved_us if before_us < m <= again_us)
        if any(_any_between(read_us, since_us, m) for m in moved):
            since_us = again_us
        before_us = again_us
    if phase == "as found":
        since_us = -math.inf
    moves = [m for m in moved_us if _any_between(read_us, since_us, m)]
    if any(since_us < m <= t_us for m in moves):
        return ADJUSTING
    # Moved and tightened again after the reading: it was not left so.
    if phase == "as left" and any(t_us < m <= entered.last_us for m in moves):
        return ADJUSTING
    return phase


def _any_between(times_us: Sequence[float], after_us: float, before_us: float) -> bool:
    nth = bisect.bisect_right(times_us, after_us)
    return nth < len(times_us) and times_us[nth] < before_us
