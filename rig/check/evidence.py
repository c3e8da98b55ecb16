"""From what a recording shows of the rig to the checks of it: the survey told to the rig check."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from rig.check.checks import ContactEvidence, RigCheck, RigEvidence, SwitchEvidence, check_rig
from rig.engine.profile import Profile, Unit
from rig.job.results import RigFinding as Finding
from rig.session.diagnostics import Check
from rig.session.session import signal_settings
from rig.signal import rig_statistics
from rig.signal.rig_statistics import InputSeen, RigStatistics, statistics_of
from rig.wire.records import Batch

SWITCH = "switch of each magneto, proved before its lead comes off"
INPUTS = "each unit opened by hand, to see on which input it is"


def checked(batches: Iterable[Batch], profile: Profile) -> RigCheck:
    """The rig check of a whole recording."""
    return judged(statistics_of(batches, signal_settings(profile)), profile)


def judged(seen: RigStatistics, profile: Profile) -> RigCheck:
    """The rig check of what was surveyed with the settings of ``profile``."""
    return check_rig(rig_seen(seen, profile), profile.encoder, profile.units, profile.contacts)


def rig_seen(seen: RigStatistics, profile: Profile) -> RigEvidence:
    """What the rig check is told. The person is taken to have turned forward on the whole."""
    by_hand: dict[str, list[_Try]] = {}
    for unit in {each.unit for each in seen.stretches if each.step == rig_statistics.BY_HAND}:
        by_hand[unit] = _tries(seen, rig_statistics.BY_HAND, unit)
    return RigEvidence(
        counts_between=seen.counts_between,
        forward_counts=seen.net_counts,
        identity_counts=seen.identity_counts,
        illegal=seen.illegal,
        illegal_at_deg=seen.illegal_at_deg,
        lost_edges=seen.lost_edges,
        lost_lines=seen.lost_lines,
        index_off_counts=seen.index_off_counts,
        passes_before=seen.passes_before,
        still_counts=seen.still_counts,
        widths=seen.widths,
        width_errors=seen.width_errors,
        widths_taken_out=seen.widths_taken_out,
        contacts=tuple(_contact(each) for each in seen.inputs) if seen.heard else (),
        switches=tuple(s for unit in profile.units if (s := _switch(seen, unit)) is not None),
        opened_by_hand={unit: _last(tries).moved for unit, tries in by_hand.items()},
        tries_by_hand={unit: len(tries) for unit, tries in by_hand.items()},
    )


def not_tried(seen: RigStatistics) -> list[str]:
    """Parts of the check that need the person, and were not done."""
    steps = {stretch.step for stretch in seen.stretches}
    return [
        *([] if {rig_statistics.OFF, rig_statistics.ON} <= steps else [SWITCH]),
        *([] if rig_statistics.BY_HAND in steps else [INPUTS]),
    ]


def evidence(seen: RigStatistics, profile: Profile, where: str = "") -> list[Finding]:
    """The checks as a certificate cites them; ``where`` names the capture where it has to be."""
    head = f"{where}: " if where else ""
    said = {"good": "good", "bad": "bad", "not seen": "not tried"}
    checks = judged(seen, profile).checks
    return [Finding(f"{head}{c.name}", said[c.verdict], sentence(c)) for c in checks]


def sentence(check: Check) -> str:
    """What was measured, what that says, and what is probably behind it."""
    text = check.words
    if check.measured and check.measured not in check.words:
        text = f"{check.measured}; {check.words}"
    return f"{text}; probably: {check.cause}" if check.cause else text


def _contact(seen: InputSeen) -> ContactEvidence:
    return ContactEvidence(
        seen.input,
        seen.turned_deg,
        seen.opened_at_us,
        seen.closings,
        seen.changes_at_rest,
        seen.wavering.chatter_us,
        seen.wavering.dropouts_us,
        seen.wavering.closed_us,
        seen.wavering.open_us,
        seen.tries,
        seen.opened_before,
    )


@dataclass(frozen=True, slots=True)
class _Try:
    """A step of the check as it was done once; ``turned_deg`` to ``moved`` as of a ``Stretch``."""

    turned_deg: float = 0.0
    opened: tuple[int, ...] = ()
    moved: tuple[int, ...] = ()
    done: bool = False


def _tries(seen: RigStatistics, step: str, unit: str) -> list[_Try]:
    """Each time that ``step`` was done with ``unit``, in order of time; a rig that was restarted
    in the middle parts none."""
    tries: list[_Try] = []
    for each in seen.stretches:
        if (each.step, each.unit) != (step, unit):
            continue
        before = tries.pop() if each.resumed and tries else _Try()
        turned_deg = before.turned_deg + each.turned_deg
        opened, moved = (*before.opened, *each.opened), (*before.moved, *each.moved)
        tries.append(_Try(turned_deg, opened, moved, each.done))
    return tries


def _last(tries: list[_Try], opened: int | None = None) -> _Try:
    """The try that counts: the last that was not broken off, where there is one.

    One broken off counts, too, when input ``opened`` opened on it: what was seen was seen.
    """
    counting = [each for each in tries if each.done or opened in each.opened]
    return (counting or tries or [_Try()])[-1]


def _switch(seen: RigStatistics, unit: Unit) -> SwitchEvidence | None:
    off, on = (_tries(seen, step, unit.name) for step in (rig_statistics.OFF, rig_statistics.ON))
    if not off and not on:
        return None
    needed = 360.0 * max(1.0, 1.0 / (float(unit.turns_per_crank_turn) * unit.lobes))
    at_off, at_on = _last(off, unit.input), _last(on)
    return SwitchEvidence(
        unit.name,
        float(round(at_off.turned_deg)),
        at_off.opened.count(unit.input),
        float(round(at_on.turned_deg)),
        at_on.opened.count(unit.input),
        needed,
        max(len(off), len(on)),
        any(unit.input in each.opened for each in off if each is not at_off),
    )


def lines_of(check: RigCheck, missing: list[str]) -> list[str]:
    """A line for each check, the bad ones last so that they are seen."""
    shown = {"good": "good", "bad": "BAD", "not seen": "not seen"}
    order = {"good": 0, "not seen": 1, "bad": 2}
    lines = [
        f"{shown[each.verdict]:<9} {each.name}: {sentence(each)}"
        for each in sorted(check.checks, key=lambda each: order[each.verdict])
    ]
    lines += [f"{'not tried':<9} {text}" for text in missing]
    bad = sum(each.verdict == "bad" for each in check.checks)
    are = "is" if bad == 1 else "are"
    them = "it" if bad == 1 else "them"
    verdict = {
        "good": "the rig is to be trusted",
        "bad": f"{bad} of {len(check.checks)} {are} bad: put {them} right before anything is read",
        "not complete": "nothing is bad; what was not seen is not proved",
    }[check.verdict]
    return [*lines, verdict]
