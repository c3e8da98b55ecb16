"""What the person told: what holds for the readings from then on, and what goes on the record."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from rig.engine.profile import Profile, Unit
from rig.faults import InputError
from rig.session.phases import phase_of
from rig.session.since import Since, put
from rig.signal import survey
from rig.signal.events import IndexPass, Opening
from rig.timing.results import Phase

Act = Callable[[float, dict[str, object]], None]


class Told:
    """From the notes of a capture, each in force from the rig's time at which it was made."""

    def __init__(self, profile: Profile) -> None:
        self._units = profile.units
        self.remarks: list[str] = []
        self.changes: list[tuple[str, str]] = []  # what was changed, on which unit ("": on all)
        self.changed_us: list[float] = []  # and when
        self.steps: set[str] = set()  # said to be done
        self._settings = {unit.name: Since(unit.settings[0].name) for unit in profile.units}
        self._moving = {unit.name: Since(False) for unit in profile.units}
        self._moved_us: dict[str, list[float]] = {unit.name: [] for unit in profile.units}
        self._levers_us: dict[str, list[float]] = {unit.name: [] for unit in profile.units}
        self._step: Since[tuple[str, str]] = Since(("", ""))  # of the rig check, and its unit
        self._phase: Since[Phase] = Since("as found")
        self._struck: dict[float, str] = {}
        self.acts: dict[str, Act] = {
            "setting": self._setting,
            survey.NOTE: self._check_step,
            "moving": self._move,
            "moved": self._was_moved,
            "phase": self._tightened,
            "strike": self._strike,
            "said": self._said,
            "change": self._change,
            "remark": self._remark,
        }
        """Kind of note to what it does; raises what a note that makes no sense raises."""

    def unit(self, name: str) -> Unit:
        """The unit of that name. Raises InputError when there is none."""
        for unit in self._units:
            if unit.name == name:
                return unit
        names = ", ".join(unit.name for unit in self._units)
        raise InputError(f"there is no unit {name!r}; the engine file has {names}")

    # -- in force ---------------------------------------------------------------------------------

    def setting_of(self, unit: str) -> str:
        """Name of the setting in force for ``unit`` now."""
        return self._settings[unit].now

    def setting_at(self, unit: str, t_us: float) -> str:
        """Name of the setting in force for ``unit`` at ``t_us``."""
        return self._settings[unit].at(t_us)

    def moving_at(self, unit: str, t_us: float) -> bool:
        """Whether ``unit`` was being moved at ``t_us``, the crank held."""
        return self._moving[unit].at(t_us)

    def asked_at(self, unit: str, t_us: float) -> bool:
        """Whether the contacts of ``unit`` were to be opened at ``t_us`` without turning: its body
        was being moved, or a step of the rig check asked for it."""
        step, of = self._step.at(t_us)
        return self.moving_at(unit, t_us) or (
            step in (survey.BY_HAND, survey.OFF, survey.ON) and of in ("", unit)
        )

    def by_hand_us(self, unit: str) -> list[float]:
        """When something on ``unit`` was moved by hand, as the person noted: itself, its lever."""
        return [*self.moved_us(unit), *self._levers_us[unit]]

    @property
    def tightened(self) -> bool:
        """Whether everything was said to be tightened, and no unit was moved since."""
        since_us = self._phase.last_us
        moved = any(m > since_us for unit in self._units for m in self.moved_us(unit.name))
        return self._phase.now == "as left" and not moved

    def moved_us(self, unit: str) -> list[float]:
        """When ``unit`` was moved or something on it changed, in order."""
        moved = [t for t in self._moved_us[unit] if t not in self._struck]
        changed = zip(self.changes, self.changed_us, strict=True)
        return sorted([*moved, *(t for (_, on), t in changed if on in ("", unit))])

    def phase_at(self, unit: str, t_us: float, read_us: Sequence[float]) -> Phase:
        """The phase of a reading of ``unit`` at ``t_us``; see ``phase_of``."""
        return phase_of(t_us, self._phase, self.moved_us(unit), read_us)

    def struck(self, t_us: float) -> str:
        """Why the opening at ``t_us`` was struck out by hand; empty when it was not."""
        return self._struck.get(t_us, "")

    # -- notes ------------------------------------------------------------------------------------

    def _setting(self, t_us: float, value: dict[str, object]) -> None:
        unit = self.unit(str(value["unit"]))
        name = str(value["setting"])
        if name not in {setting.name for setting in unit.settings}:
            raise InputError(f"{unit.name} has no setting {name!r}")
        self._settings[unit.name].set(t_us, name)
        for each in self._units:
            if each is unit or (each.body and each.body == unit.body):
                self._levers_us[each.name].append(t_us)

    def _check_step(self, t_us: float, value: dict[str, object]) -> None:
        self._step.set(t_us, (str(value["step"]), str(value.get("unit") or "")))

    def _move(self, t_us: float, value: dict[str, object]) -> None:
        moving = self._moving[self.unit(str(value["unit"])).name]
        moving.set(float(str(value.get("from_us", t_us))), not value.get("end"))

        if not value.get("end"):
            self._was_moved(t_us, value)

    def _was_moved(self, t_us: float, value: dict[str, object]) -> None:
        """It, and what is in one body with it."""
        moved = self.unit(str(value["unit"]))
        from_us = float(str(value.get("from_us", t_us)))
        for unit in self._units:
            if unit is moved or (unit.body and unit.body == moved.body):
                self._moved_us[unit.name].append(from_us)

    def _tightened(self, t_us: float, value: dict[str, object]) -> None:
        self._phase.set(t_us, "as left" if value["phase"] == "as left" else "as found")

    def _strike(self, t_us: float, value: dict[str, object]) -> None:
        struck = float(str(value["t_us"]))
        if value.get("back"):
            self._struck.pop(struck, None)
        else:
            self._struck[struck] = str(value.get("why") or "struck out by hand")

    def _said(self, t_us: float, value: dict[str, object]) -> None:
        taken = self.steps.discard if value.get("back") else self.steps.add
        taken(str(value["step"]))

    def _change(self, t_us: float, value: dict[str, object]) -> None:
        put(self.changes, value, lambda: (str(value["words"]), str(value.get("unit", ""))))
        put(self.changed_us, value, lambda: t_us)

    def _remark(self, t_us: float, value: dict[str, object]) -> None:
        put(self.remarks, value, lambda: str(value["text"]))


def asked_for(
    told: Told,
    openings: Sequence[Opening],
    passes: Sequence[IndexPass],
    unit: str,
    opening: Opening,
) -> bool:
    """Whether contacts parted at rest because the person did what the program asked for, or noted
    what moved them before the crank was turned again."""
    if told.asked_at(unit, opening.t_us):
        return True
    turned = [o.t_us for o in openings if o.direction]
    turned += [passed.t_us for passed in passes]
    for noted_us in told.by_hand_us(unit):
        first, last = sorted((opening.t_us, noted_us))
        if not any(first < t_us < last for t_us in turned):
            return True
    return False
