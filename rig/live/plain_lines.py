"""Plain lines for an output that is not a terminal: one line an event, no control codes."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from itertools import chain
from typing import TextIO

from rig.base import rounding
from rig.base.escape import clean, shows_unicode
from rig.live.panels import ALARM, STROKES
from rig.live.unit_panel import mean_text
from rig.live.view import TouchesView, UnitView, View
from rig.words.assessments import MARKS, comparison_words, reading_word, verdict_words
from rig.words.figures import clock


def changes(old: View | None, new: View) -> list[str]:
    """What happened between two views, as sentences; from None it is everything worth a line."""
    before = old or View(step=new.step, rig=replace(new.rig, detail=""))
    lines: Iterator[str] = chain(
        [" │ ".join(part for part in (new.job, new.tag) if part)] if old is None else [],
        _changed(None if old is None else before.step, new.step, "step: {}"),
        _rig(before, new),
        _reference(before, new),
        _touches(before.touches or TouchesView(), new.touches or TouchesView()),
        chain.from_iterable(_unit(_same(before, unit), unit) for unit in new.units),
        _comparisons(before, new),
        _goto(before, new),
        _panel(before, new),
        _changed(before.message, new.message, "{}"),
        _changed(before.alarm, new.alarm, f"{ALARM}: {{}}"),
        _changed(before.warning, new.warning, "WARNING: {}"),
        _changed(before.caution, new.caution, "CAUTION: {}"),
        _changed(before.next + before.then, new.next + new.then, "next: {}"),
        _question(before, new),
    )
    return [line for line in lines if line]


def run(
    view_source: Callable[[], View],
    *,
    stop: Callable[[], bool],
    out: TextIO | None = None,
    period_s: float = 0.1,
) -> None:
    """Print what changes, each line with the time into the capture, until ``stop`` says so.

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


def _changed(old: str | None, new: str, pattern: str) -> list[str]:
    return [pattern.format(new)] if new and new != old else []


def _rig(old: View, new: View) -> Iterator[str]:
    never_heard = old.rig.silent_s is None
    if old.rig.connected and not new.rig.connected:
        yield f"RIG LOST: {new.rig.detail or 'nothing received'}"
    elif new.rig.connected or never_heard:  # else the seconds of silence would be counted aloud
        yield from _changed(old.rig.detail, new.rig.detail, "the rig: {}")
    if new.rig.connected and not old.rig.connected:
        yield "something is received on the port" if never_heard else "the rig is back"
    had = dict(old.rig.line_errors)
    for kind, times in new.rig.line_errors:
        # A noisy line brings thousands: said at 1, 2, 4, 8 and so on.
        if times.bit_length() > had.get(kind, 0).bit_length():
            yield f"line errors: {kind}, {times} so far"


def _reference(old: View, new: View) -> Iterator[str]:
    was, now = old.reference, new.reference
    if now.text and (now.text, now.U_deg) != (was.text, was.U_deg):
        yield f"TDC by {now.text} {rounding.within(now.U_deg)}".rstrip()
    if was.valid and not now.valid:
        yield f"TDC is not valid: {now.why_not or 'the index has to pass'}"
    if now.valid and not was.valid:
        yield "TDC is valid"
    if new.stroke != old.stroke and STROKES[new.stroke]:
        yield STROKES[new.stroke]


def _touches(old: TouchesView, new: TouchesView) -> Iterator[str]:
    for way, was, now in (
        ("forward", old.forward_deg, new.forward_deg),
        ("back", old.backward_deg, new.backward_deg),
    ):
        for angle in now[len(was) :]:
            at = rounding.after_index(angle)
            yield f"piston stop touched turning {way}, {at}° after the index"
    if new.middle_deg is not None and new.middle_deg != old.middle_deg:
        yield f"TDC {rounding.after_index_with(new.middle_deg, new.U_deg)}"
    yield from _changed(old.note, new.note, "{}")


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


def _comparisons(old: View, new: View) -> Iterator[str]:
    had = {(c.first, c.second): c.verdict for c in old.comparisons}
    for c in new.comparisons:
        if had.get((c.first, c.second)) != c.verdict:
            yield comparison_words(c)


def _goto(old: View, new: View) -> Iterator[str]:
    if new.goto is None:
        return
    if old.goto is None or old.goto.target_btdc != new.goto.target_btdc:
        yield new.goto.title or f"going to {rounding.btdc(new.goto.target_btdc)}"
    yield from _changed(old.goto.words if old.goto else "", new.goto.words, "{}")


def _panel(old: View, new: View) -> Iterator[str]:
    if new.panel is None:
        return
    if old.panel is None or old.panel.title != new.panel.title:
        yield new.panel.title
    had = (*old.panel.beside, *old.panel.lines) if old.panel else ()
    for line in (*new.panel.beside, *new.panel.lines):
        if line not in had:
            yield f"{line.label}: {line.text}"


def _question(old: View, new: View) -> Iterator[str]:
    was = old.question.text if old.question else None
    if new.question is not None and new.question.text != was:
        yield f"QUESTION: {new.question.text}"
