"""From what a recording shows of the rig to the checks of it: the survey told to the rig check."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

from rig.engine.profile import Profile, Unit
from rig.record.schema import RigCheck as Finding
from rig.session import signal_settings
from rig.signal import survey
from rig.signal.survey import InputSeen, Surveyed, surveyed
from rig.timing.rigcheck.check import RigCheck, RigSeen, check_rig
from rig.timing.rigcheck.contacts import Check, ContactSeen, SwitchSeen
from rig.wire.records import Batch

SWITCH = "switch of each magneto, proved before its lead comes off"
INPUTS = "each unit opened by hand, to see on which input it is"


def checked(batches: Iterable[Batch], profile: Profile) -> RigCheck:
    """The rig check of a whole recording."""
    return judged(surveyed(batches, signal_settings(profile)), profile)


def judged(seen: Surveyed, profile: Profile) -> RigCheck:
    """The rig check of what was surveyed with the settings of ``profile``."""
    return check_rig(rig_seen(seen, profile), profile.encoder, profile.units, profile.contacts)


def rig_seen(seen: Surveyed, profile: Profile) -> RigSeen:
    """What the rig check is told. The person is taken to have turned forward on the whole."""
    by_hand: dict[str, tuple[int, ...]] = {}
    for stretch in seen.stretches:
        if stretch.step == survey.BY_HAND:
            by_hand[stretch.unit] = (*by_hand.get(stretch.unit, ()), *stretch.moved)
    return RigSeen(
        counts_between=seen.counts_between,
        forward_counts=seen.net_counts,
        identity_counts=seen.identity_counts,
        illegal=seen.illegal,
        illegal_at_deg=seen.illegal_at_deg,
        lost_edges=seen.lost_edges,
        lost_lines=seen.lost_lines,
        index_off_counts=seen.index_off_counts,
        still_counts=seen.still_counts,
        widths=seen.widths,
        width_errors=seen.width_errors,
        widths_taken_out=seen.widths_taken_out,
        contacts=tuple(_contact(each) for each in seen.inputs) if seen.heard else (),
        switches=tuple(s for unit in profile.units if (s := _switch(seen, unit)) is not None),
        opened_by_hand=by_hand,
    )


def not_tried(seen: Surveyed) -> list[str]:
    """Parts of the check that need the person, and were not done."""
    steps = {stretch.step for stretch in seen.stretches}
    return [
        *([] if {survey.OFF, survey.ON} <= steps else [SWITCH]),
        *([] if survey.BY_HAND in steps else [INPUTS]),
    ]


def findings(check: RigCheck, where: str = "") -> list[Finding]:
    """The checks as a certificate cites them; ``where`` names the capture where it has to be."""
    head = f"{where}: " if where else ""
    said = {"good": "good", "bad": "bad", "not seen": "not tried"}
    return [Finding(f"{head}{c.name}", said[c.verdict], sentence(c)) for c in check.checks]


def sentence(check: Check) -> str:
    """What was measured, what that says, and what is probably behind it."""
    text = check.words
    if check.measured and check.measured not in check.words:
        text = f"{check.measured}; {check.words}"
    return f"{text}; probably: {check.cause}" if check.cause else text


def _contact(seen: InputSeen) -> ContactSeen:
    return ContactSeen(
        seen.input,
        seen.turned_deg,
        seen.opened_at_us,
        seen.closings,
        seen.changes_at_rest,
        seen.wavering.chatter_us,
        seen.wavering.dropouts_us,
        seen.wavering.closed_us,
        seen.wavering.open_us,
    )


def _switch(seen: Surveyed, unit: Unit) -> SwitchSeen | None:
    turned: Counter[str] = Counter()
    opened: Counter[str] = Counter()
    for stretch in seen.stretches:
        if stretch.unit == unit.name and stretch.step in (survey.OFF, survey.ON):
            turned[stretch.step] += round(stretch.turned_deg)
            opened[stretch.step] += stretch.opened.count(unit.input)
    if not turned:
        return None
    needed = 360.0 * max(1.0, 1.0 / (float(unit.turns_per_crank_turn) * unit.lobes))
    return SwitchSeen(
        unit.name,
        float(turned[survey.OFF]),
        opened[survey.OFF],
        float(turned[survey.ON]),
        opened[survey.ON],
        needed,
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
    verdict = {
        "good": "the rig is to be trusted",
        "bad": f"{bad} of {len(check.checks)} are bad: put them right before anything is read",
        "not complete": "nothing is bad; what was not seen is not proved",
    }[check.verdict]
    return [*lines, verdict]
