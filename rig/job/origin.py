"""Where a dead centre comes from: worked out again from its recording, or set by hand.

A reference that is brought along (in ``reference.json``, in the note with which a capture begins,
in a certificate) is a claim. What it says is never taken from it where its recording gives it: it
is found there again with the engine file of today. One that no recording gives is set by hand.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from rig.engine.dead_centre.gauge import Gauge
from rig.engine.dead_centre.gauge_series import Series, work_through
from rig.engine.dead_centre.reference import BY_HAND, GaugeWorking, Reference, by_hand
from rig.engine.firing import geometry_of, wrap_btdc
from rig.engine.profile import Profile
from rig.engine.stated import after_index_with
from rig.faults import InputError
from rig.job.references import by_gauge
from rig.session.dead_centre import gauge_series
from rig.session.gauge_notes import GaugeNotes

if TYPE_CHECKING:
    from rig.job.work import Played

SAME_DEG = 1e-6
"""Two evaluations of one recording differ by rounding alone, which is far less."""


@dataclass(slots=True)
class Origins:
    """The recordings of a job, to find in them what a reference claims.

    ``said`` has a sentence for each claim that its recording does not bear out; ``used`` the
    recordings that were played for it, beside those ``played`` already.
    """

    profile: Profile
    captures: Path
    play: Callable[[Path], Played]
    played: Sequence[Played]
    said: list[str] = field(default_factory=list)
    used: list[Played] = field(default_factory=list)

    def of(self, claimed: Reference) -> Reference:
        """The reference as its recording gives it; set by hand when none does."""
        if claimed.method == BY_HAND:
            return by_hand(claimed)
        source, why = self._source(claimed.capture)
        found = None if source is None else found_again(claimed, source, self.profile)
        if found is None or source is None:
            why = why or f"{claimed.capture} does not give it"
            self.said.append(
                f"top dead centre {_size(claimed)}, said to be found by {claimed.method}, counts as"
                f" set by hand: {why}"
            )
            return by_hand(claimed)
        if source not in self.played and source not in self.used:
            self.used.append(source)
        if not agrees(claimed, found):
            self.said.append(
                f"top dead centre was stated as {_size(claimed)} by {claimed.method};"
                f" {claimed.capture} gives {_size(found)}, which is used. To set another by hand:"
                " rig tdc --state-deg"
            )
        return found

    def _source(self, name: str) -> tuple[Played | None, str]:
        """The recording of that name, or why there is none."""
        if not name:
            return None, "it names no recording"
        for each in (*self.played, *self.used):
            if each.path.name == name:
                return each, ""
        path = self.captures / name
        if Path(name).name != name or not path.is_file():
            return None, f"there is no recording {name} in {self.captures}"
        try:
            return self.play(path), ""
        except InputError as wrong:
            return None, str(wrong)


def found_again(claimed: Reference, source: Played, profile: Profile) -> Reference | None:
    """What a recording gives for a claim: by the same method, at the same cylinder.

    The one that agrees with it, else the last; None when it gives none.
    """
    if claimed.gauge is not None:
        return _by_gauge(claimed, claimed.gauge, source, profile)
    own = [
        replace(each, capture=source.path.name)
        for each in source.session.found
        if (each.method, each.cylinder) == (claimed.method, claimed.cylinder)
    ]
    agreeing = [each for each in own if agrees(claimed, each)]
    if not own and by_gauge(claimed):
        agreeing = [each for each in _as_noted(claimed, source, profile) if agrees(claimed, each)]
    best = agreeing or own
    return best[-1] if best else None


def _as_noted(claimed: Reference, source: Played, profile: Profile) -> list[Reference]:
    """By the gauge, from all points as they were noted; not chosen while they were read."""
    try:
        series = gauge_series(source.gauge, profile, claimed.cylinder)
    except InputError:
        return []
    own = [each for each in series.references if each.method == claimed.method]
    return [signed(each, None, claimed.made_utc, source.path.name) for each in own]


def _by_gauge(
    claimed: Reference, working: GaugeWorking, source: Played, profile: Profile
) -> Reference | None:
    try:
        series = worked_with(working, source.gauge, profile, claimed.cylinder)
    except InputError:  # its points are not those of the claim
        return None
    for each in series.references:
        if each.method == claimed.method:
            return signed(each, working, claimed.made_utc, source.path.name)
    return None


def worked_with(
    working: GaugeWorking, notes: GaugeNotes, profile: Profile, cylinder: int
) -> Series:
    """The gauge points noted in a recording, worked through as the person said afterwards.

    Raises InputError as ``work_through``.
    """
    points = notes.points(cylinder)
    geometry = geometry_of(profile.engine, cylinder)
    if working.fit_offset and geometry is not None:
        geometry = replace(geometry, offset_mm=None)
    return work_through(
        [each for n, each in enumerate(points, 1) if n not in working.left_out],
        Gauge(working.u_lift_mm, working.u_angle_deg, working.inclination_deg, working.case),
        geometry,
        profile.encoder,
        cylinder=cylinder,
        again=notes.points(cylinder, again=True),
    )


def signed(
    found: Reference, working: GaugeWorking | None, made_utc: str, capture: str
) -> Reference:
    """When and from what a reference by the gauge was made, and what was left out by hand."""
    left_out = ", ".join(map(str, working.left_out)) if working else ""
    how = found.how + (f"; point {left_out} left out by hand" if left_out else "")
    return replace(found, how=how, made_utc=made_utc, capture=capture, gauge=working)


def agrees(claimed: Reference, found: Reference) -> bool:
    """Whether position and expanded uncertainty of two are the same but for rounding."""
    off_deg = wrap_btdc(claimed.tdc_deg - found.tdc_deg)
    wider_deg = claimed.uncertainty.U_deg - found.uncertainty.U_deg
    return max(abs(off_deg), abs(wider_deg)) <= SAME_DEG


def _size(of: Reference) -> str:
    return after_index_with(of.tdc_deg, of.uncertainty.U_deg)
