"""Plain lines for an output that is not a terminal: one line an event, no control codes."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import TextIO

from rig.base import rounding
from rig.base.escape import clean, shows_unicode
from rig.live.panels import ALARM, STROKES
from rig.live.unit_panel import mean_text
from rig.live.view import TouchesView, UnitView, View
from rig.words.assessments import (
    MARKS,
    comparison_words,
    reading_word,
    verdict_words,
    worst_verdict,
)
from rig.words.figures import clock


def changes(old: View | None, new: View) -> list[str]:
    """What happened between two views, as sentences; from None it is everything worth a line."""
    before = old or View(rig=replace(new.rig, detail=""))
    known = {about for about, _ in _facts(old)} if old is not None else set()
    return [
        *([" │ ".join(filter(None, (new.job, new.tag)))] if old is None else []),
        *_rig(before, new),
        *(line for unit in new.units for line in _unit(_same(before, unit), unit)),
        *(line for about, line in _facts(new) if about not in known),
    ]


def run(
    view_source: Callable[[], View],
    *,
    stop: Callable[[], bool],
    out: TextIO | None = None,
    period_s: float = 0.1,
) -> None:
    """Print what changes, each line with the time into the capture, until ``stop`` is true.

    The last view is looked at once more after ``stop``, so that nothing is left out.
    """
    stream = sys.stdout if out is None else out
    unicode = shows_unicode(stream)
    old: View | None = None
    going = True
    while going:
        going = not stop()
        new = view_source()
        for line in changes(old, new):
            print(clean(f"{clock(new.elapsed_s):>7}  {line}", unicode), file=stream)
        stream.flush()
        old = new
        if going:
            time.sleep(period_s)


def _facts(view: View) -> Iterator[tuple[object, str]]:
    """Sentences on a view, each with what it is about: news where that was not there before."""
    reference, touches = view.reference, view.touches or TouchesView()
    lines = [f"step: {view.step}"]
    if reference.text:
        lines.append(f"TDC by {reference.text} {rounding.within(reference.U_deg)}".rstrip())
        why = reference.why_not or "the index has to pass"
        lines.append("TDC is valid" if reference.valid else f"TDC is not valid: {why}")
        lines.append(STROKES[view.stroke])
    yield from ((line, line) for line in lines if line)
    for way, angles in (("forward", touches.forward_deg), ("back", touches.backward_deg)):
        for n, angle in enumerate(angles):
            at = rounding.after_index(angle)
            yield (way, n), f"piston stop touched turning {way}, {at}° after the index"
    lines = [touches.note]
    if touches.middle_deg is not None:
        lines.append(f"TDC {rounding.after_index_with(touches.middle_deg, touches.U_deg)}")
    if view.goto is not None:
        lines.append(view.goto.title or f"going to {rounding.btdc(view.goto.target_btdc)}")
        lines.append(view.goto.words)
    if view.panel is not None:
        lines.append(view.panel.title)
        every = (*view.panel.beside, *view.panel.lines)
        lines += [f"{line.label}: {line.text}" for line in every]
    yield from ((line, line) for line in lines if line)
    for each in view.comparisons:
        yield (each[0].first, each[0].second, worst_verdict(each)), comparison_words(each)
    for pattern, text in (
        ("{}", view.message), (f"{ALARM}: {{}}", view.alarm), ("WARNING: {}", view.warning),
        ("CAUTION: {}", view.caution), ("next: {}", view.next + view.then),
        ("QUESTION: {}", view.question.text if view.question else ""),
    ):  # fmt: skip
        if text:
            yield (pattern, text), pattern.format(text)


def _rig(old: View, new: View) -> Iterator[str]:
    never_received = old.rig.silent_s is None
    new_detail = new.rig.detail if new.rig.detail != old.rig.detail else ""
    if old.rig.connected and not new.rig.connected:
        yield f"RIG LOST: {new.rig.detail or 'nothing received'}"
    elif new_detail and (
        new.rig.connected or never_received
    ):  # else seconds of silence are counted
        yield f"the rig: {new_detail}"
    if new.rig.connected and not old.rig.connected:
        yield "something is received on the port" if never_received else "the rig is back"
    had = dict(old.rig.line_errors)
    for kind, times in new.rig.line_errors:
        # A noisy line brings thousands: reported at 1, 2, 4, 8 and so on.
        if times.bit_length() > had.get(kind, 0).bit_length():
            yield f"line errors: {kind}, {times} so far"


def _same(view: View, unit: UnitView) -> UnitView:
    """What ``unit`` was in ``view``; a unit without readings when it was not there."""
    fresh = UnitView(unit.unit, unit.setting, unit.phase)
    return next((other for other in view.units if other.unit.name == unit.unit.name), fresh)


def _unit(old: UnitView, new: UnitView) -> Iterator[str]:
    name = f"{new.unit.name}, {new.setting.name}"
    if (new.setting.name, new.phase) != (old.setting.name, old.phase):
        yield f"{name}: now read in this setting, {new.phase}"
    fresh = new.valid - old.valid
    for reading in new.readings[-fresh:] if fresh > 0 else ():
        parts = [rounding.btdc(reading.btdc_deg), reading_word(reading, new.setting)]
        if reading.cylinder is not None:
            parts.append(f"cylinder {reading.cylinder}")
        yield f"{name}: {', '.join(part for part in parts if part)}"
    if new.rejected > old.rejected:
        yield f"{name}: an opening was rejected: {new.why_rejected or 'no reason given'}"
    if (new.verdict.verdict, new.setting.name) == (old.verdict.verdict, old.setting.name):
        return
    verdict = verdict_words(new.verdict)
    if new.whole is not None and new.whole.mean_btdc is not None:
        marks = "".join(f", {MARKS[mark]}" for mark in new.whole.marks)
        yield f"{name}: mean {mean_text(new.whole)} of {new.whole.n}: {verdict}{marks}"
    elif new.assessments:
        yield f"{name}: {verdict}"
