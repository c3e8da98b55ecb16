"""Why an opening is rejected, and what looks wrong, in words.

The program decides by ``Reason`` and ``Doubt`` alone; these words are only shown.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

from rig.base.angles import wrap
from rig.base.rounding import after_index, btdc, many, size, two_figures
from rig.base.rounding import within as stated_within
from rig.engine.gear_train import index_places, places_apart_deg
from rig.engine.geometry import StopMisleads
from rig.job.folder import Job
from rig.job.recording import RecordingOpenings
from rig.job.results import JobResults, tdc_in
from rig.session.diagnostics import Counts, Diagnostic, Doubt, moves
from rig.signal.events import Reason, Rejection
from rig.tdc.gauge_points import EngineMark, read_within_words
from rig.tdc.reference import Method, TdcReference
from rig.timing.assess import verdict_over
from rig.timing.values import Assessment
from rig.words.assessments import assessment_in_full, in_groups, places_words, verdict_words
from rig.words.counts import counts_words, identity_words

Words = str | Callable[..., str]  # a sentence, or what makes one of a value's data


def _moved(*data: float) -> str:
    """How far TDC moved, with its expanded uncertainty; empty if not known."""
    if not data:
        return ""
    shift_deg, U_deg = data
    return f" by {size(shift_deg, U_deg)}° (± {two_figures(U_deg)}°)"


def _place(places: int, apart_deg: float) -> str:
    return (
        f"enter cylinder 1's firing TDC, roughly: the index has {many(places, 'place')} on"
        f" the crank, {apart_deg:g}° apart"
    )


def _earthed(closed_deg: float | None = None, most_deg: float = 0.0) -> str:
    """Why the contacts may have been opened by a switch or a lead."""
    if closed_deg is None:
        return "closed since the switch was at OFF: the switch may have opened them"
    return f"closed for {closed_deg:.0f}°, {most_deg:.0f}° at most by the cam: earthed until then?"


def _say(words: Words, *data: object) -> str:
    return words if isinstance(words, str) else words(*data)


REASONS: Mapping[Reason, Words] = {
    Reason.BACKWARDS: "the crank went backwards",
    Reason.LINES_LOST: "lines from the rig were lost just then",
    Reason.WRONG_COUNT: "its count contradicts the positions around it: a damaged line",
    Reason.UNSEEN: "the rig could not watch the contacts just then: too many edges on an input",
    Reason.NOT_COVERED: "the rig had not yet reported whether an edge was lost just then",
    Reason.BOUNCES_CUT: "the contacts bounced more often than the line could carry",
    Reason.ENCODER_JUMPED: "the encoder jumped: angles are valid again after the next index",
    Reason.LINE_CUT: "the line was interrupted: angles are valid again after the next index",
    Reason.INDEX_OFF: lambda off, per_turn: (
        f"the index came {many(off, 'count')} off, at {many(per_turn, 'count')} a turn: let it"
        " pass twice more"
    ),
    Reason.CRANK_STILL: "the crank was still",
    Reason.JUST_CLOSED: "the crank was held, and the contacts had only just closed",
    Reason.SHORT_APPROACH: lambda had_deg, needed_deg: (
        f"approach of {had_deg:.1f}° only; {needed_deg:g}° needed"
    ),
    Reason.TURNED_BACK: "turned back: backlash not taken up",
    Reason.EARTHED: _earthed,
    Reason.STATES_NOT_MEASURED: lambda slowest_deg_s: (
        "the encoder has few counts, and its states are not measured yet: turn on, faster than"
        f" {slowest_deg_s:.0f}°/s"
    ),
    Reason.NOISE_OR_BOUNCE: (
        "noise just before it may have been its first opening: turn more slowly"
    ),
    Reason.INDEX_NEVER_MET: "the index never passed",
    Reason.RESTARTED_BEFORE_INDEX: "the rig restarted before the index passed",
    Reason.RESTARTED: "the rig restarted: angles are valid again after the next index",
    Reason.COUNTS_LOST: lambda off: (
        f"the index then came {many(off, 'count')} off: counts were lost"
    ),
    Reason.COUNTS_UNCONFIRMED: (
        "counts were lost elsewhere, and the index has not passed on both sides of it"
    ),
    Reason.COUNTS_WRONG: lambda usual, entered: (
        f"{many(usual, 'count')} from index to index; {entered} entered"
    ),
    Reason.NO_INDEX: "the index has not passed, so the angle is not known",
    Reason.NO_TDC: "no TDC yet",
    Reason.TDC_MOVED: lambda *by: f"TDC has moved{_moved(*by)}: it is not known here",
    Reason.INDEX_PLACE: _place,
    Reason.LINK_ROD_TDC: lambda cylinder: (
        f"the TDC of cylinder {cylinder} (link rod) is not entered"
    ),
    Reason.MASTER_ROD_TDC: lambda cylinder, known: (
        f"the TDC of cylinder {cylinder} (master rod) does not follow from that of"
        f" cylinder {known} (link rod): enter it"
    ),
    Reason.FAR_FROM_NOMINAL: "the contacts opened with the crank held, far from nominal",
    Reason.MOVED_AGAIN: "the unit was moved again afterwards",
    Reason.WITHOUT_DRAG: "read without a drag on the rotor, which other readings had",
    Reason.BY_HAND: lambda noted="rejected by hand": noted,
}
"""Why a past opening is rejected."""

NOW: Mapping[Reason, Words] = {
    Reason.BACKWARDS: lambda shaft: f"{shaft} goes backwards",
    Reason.NO_INDEX: "the index has not passed yet",
    Reason.TURNED_BACK: "not yet past the furthest point",
    Reason.SHORT_APPROACH: "approach still too short",
}
"""Why an opening now would be rejected, if the words differ; the first value is the shaft."""


def reason_words(rejection: Rejection | None) -> str:
    """Why an opening is rejected; empty when it is valid."""
    return "" if rejection is None else _say(REASONS[rejection.reason], *rejection.data)


def now_words(rejection: Rejection | None, shaft: str = "the crank") -> str:
    """Why an opening just now would be rejected; empty when it would be valid."""
    if rejection is None or rejection.reason not in NOW:
        return reason_words(rejection)
    return _say(NOW[rejection.reason], shaft, *rejection.data)


def reason_code(rejection: Rejection | None) -> str:
    """The reason's code; empty if there is none."""
    return "" if rejection is None else rejection.reason.value


def _times(n: int) -> str:
    return "once" if n == 1 else many(n, "time")


def _no_line(kinds: str) -> str:
    heard = f"what came is not the line format ({kinds})" if kinds else "nothing came"
    return f"no line from a rig: {heard}; check port and baud rate"


def _no_input(unit: str, number: int, has: int) -> str:
    rest = f"has inputs 1 to {has}" if has else "has no contact input"
    return (
        f"{unit}: contact input {number} is entered, but the rig {rest}; correct input in"
        " engine.toml"
    )


def _silent(unit: str, number: int, turns: int, never: bool, level: str) -> str:
    ever = "has never opened in" if never else "has not opened for the last"
    stays = {
        "open": "it stays open: is its lead on, and on this input?",
        "closed": "it stays closed: is it still earthed (switch at OFF), or its lead on another"
        " input?",
        "unknown": "is its lead on, and on this input?",
    }[level]
    return f"{unit}: contact input {number} {ever} {many(turns, 'turn')} of the crank; {stays}"


def _counts_wrong(counts: float, entered: int, spread: float | None = None) -> str:
    of = (
        counts_words(Counts(counts, spread, entered))
        if spread is not None
        else identity_words(int(counts), entered)
    )
    return f"{of[1]}; {of[2]}"


def _left_out(
    unit: str, number: int, readings: int, first: int, others: int, *reasons: str | int
) -> str:
    said = []
    if readings:
        are = "is" if readings == 1 else "are"
        said.append(
            f"{many(readings, 'reading')} between the first {first} and the latest {are} in no mean"
        )
    if others:
        codes = (str(code).replace("-", " ") for code in reasons[::2])
        of_them = ", ".join(f"{n} {code}" for n, code in zip(reasons[1::2], codes, strict=True))
        said.append(
            f"of the rejected openings, {others} earlier ones are only counted (most often:"
            f" {of_them})"
        )
    where = f"{unit}: contact input {number}" if unit else f"contact input {number}"
    return (
        f"{where} opened more often than can be kept one by one: {'; '.join(said)}. Look for a"
        " loose lead, or contacts that chatter"
    )


DOUBTS: Mapping[Doubt, Words] = {
    Doubt.TDC_HAS_MOVED: lambda *by: (
        f"TDC HAS MOVED{_moved(*by)}, a later touch shows: readings since the last touch that"
        " agrees are rejected. Find TDC again, then take new readings"
    ),
    Doubt.TDC_HAD_MOVED: lambda *by: (
        f"TDC HAD MOVED{_moved(*by)} before the one in use was found: readings before that have"
        " no TDC and are rejected. Only a session of their own keeps them: touch the piston stop"
        " again and end the session before you take the encoder off"
    ),
    Doubt.TDC_NOT_PROVED: lambda U_deg: (
        f"the encoder may have slipped by up to {two_figures(U_deg)}°: the piston stop, touched"
        " again, would not have shown it. Verdicts are valid only if it did not. Touch it again,"
        " five times or more on each side"
    ),
    Doubt.TDC_COUNTS_LOST: lambda off: (
        f"counts were lost while TDC was found: the index then came {many(off, 'count')} off, so"
        " every reading is rejected. Check the encoder's leads and coupling, then find TDC again"
    ),
    Doubt.LINE_FORMAT: lambda of_rig, ours: (
        f"the rig uses version {of_rig} of the line format, this program {ours}: its"
        " readings are not used; update one of the two"
    ),
    Doubt.NO_LINE: _no_line,
    Doubt.COUNTS_WRONG: _counts_wrong,
    Doubt.COUNTS_REPORTED: lambda reported, shown: (
        f"the rig reports {many(reported, 'count')} a turn; the index confirms {shown}, as entered"
    ),
    Doubt.INDEX_OFF: lambda times: (
        f"the index came {_times(times)} at another count than expected: counts were lost, or"
        " noise reached the index; readings since the pass before are rejected"
    ),
    Doubt.ANGLES_LOST: "angles are not valid",
    Doubt.STOP_MISLEADS: lambda *numbers: StopMisleads(*numbers).words,
    Doubt.INDEX_PLACE: lambda places, apart_deg, within_deg: (
        f"{_place(places, apart_deg)} (within {within_deg:.0f}° is near enough), or touch"
        " the piston stop again; until then every reading is rejected"
    ),
    Doubt.NO_INPUT: _no_input,
    Doubt.SILENT: _silent,
    Doubt.OPENED_AT_REST: lambda unit, number, times: (
        f"{unit}: contact input {number} opened {_times(times)} while the crank was still: the"
        " unit was moved by hand, or its lead is loose"
    ),
    Doubt.INVERTED: lambda unit, closes_deg, level: (
        f"{unit} closes at {btdc(closes_deg, decimals=0)}, where it should open, and opens far from"
        f" there: is its input at level {level} with the contacts open? If not, correct open_level"
        " in the engine file; until then no figure of this unit is right"
    ),
    Doubt.BRIDGED: lambda one, two, first, second: (
        f"{one} and {two} always open at the very same instant: are both leads on one unit, or"
        f" inputs {first} and {second} joined?"
    ),
    Doubt.LEFT_OUT: _left_out,
    Doubt.RESTARTED: lambda times: f"the rig restarted {_times(times)}",
    Doubt.ENCODER_JUMPED: lambda times: (
        f"the encoder jumped {_times(times)}: check its plug and its disc"
    ),
}


def diagnostic_words(diagnostic: Diagnostic) -> str:
    """One sentence: what was seen, and what to check."""
    words = _say(DOUBTS[diagnostic.doubt], *diagnostic.data)
    why = reason_words(diagnostic.rejection)
    return f"{words}: {why}" if why else words


def remarks_on(worked: JobResults) -> list[str]:
    """What to say about a job's files and their contents, each sentence once."""
    said = [
        f"{one.path}: {diagnostic_words(each)}"
        for one in worked.played
        for each in moves(one.session.validity)
    ]
    said += in_groups(worked.assessments)
    for one in worked.played:
        engine = one.session.profile.engine
        said += places_words(worked.assessments, engine, worked.reference)
    said += [text for one in (*worked.played, *worked.sources) for text in one.said]
    said += worked.origin
    said += [f"{one.path}: {diagnostic_words(doubt)}" for one, doubt in worked.doubts]
    return list(dict.fromkeys(said))


def assessment_words(of: Assessment) -> str:
    """The verdict on one figure, as short as it can be: "early by 2.24°", "inside"."""
    if of.kind != "turned" or of.groups:
        return assessment_in_full(of)
    return verdict_words(verdict_over([of]))


def tdc_deg_in(job: Job, recording: Path) -> tuple[float | None, list[str]]:
    """The job's TDC for a recording that is read by itself, degrees after the index; or None, and
    why. Raises InputError when the recording cannot be read."""
    reference, moved = tdc_in(job, recording)
    said = [f"{recording}: {diagnostic_words(each)}" for each in moved]
    encoder = job.profile.encoder
    if reference is None or index_places(encoder) == 1:
        return None if reference is None else reference.tdc_deg, said
    places, apart_deg = many(index_places(encoder), "place"), places_apart_deg(encoder)
    said.append(
        f"the job's TDC is not used here: the index comes at {places} of the crank, {apart_deg:g}°"
        " apart. Use rig results, or give --tdc-deg as it is in this recording"
    )
    return None, said


def mark_words(mark: EngineMark, reference: TdcReference | None) -> str:
    """Where an engine's mark is relative to TDC, in words."""
    within = read_within_words(mark)
    if reference is None or mark.cylinder != reference.cylinder:
        return f"{mark.what}: {after_index(mark.crank_deg)}° after the index{within}"
    past = wrap(mark.crank_deg - reference.tdc_deg)
    side = "after" if past > 0.0 else "before"
    U_deg = reference.uncertainty.U_deg
    how = reference.by if reference.method is Method.BY_HAND else f"by {reference.by}"
    return (
        f"{mark.what}: {size(past, U_deg)}° {side} TDC of cylinder {mark.cylinder}"
        f" {how} ({stated_within(U_deg)}){within}"
    )


def recording_doubts(found: RecordingOpenings) -> list[str]:
    """What is in doubt about the openings of a recording, a sentence each."""
    doubts = list(found.file_errors)
    if found.openings and not found.is_anchored:
        doubts.append("the index never passed: angles are not known")
    if found.counts is not None:
        doubts.append(f"{counts_words(found.counts)[1]}: is --counts-per-turn right?")
    elif found.off_passes:
        times = many(found.off_passes, "time")
        doubts.append(f"the index came {times} at another count than expected")
    if found.angles_lost is not None:
        doubts.append(f"angles are not valid: {reason_words(found.angles_lost)}")
    return doubts + [f"{name} never opens" for name in found.never_open]
