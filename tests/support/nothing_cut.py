"""Whether a screen shows whole what matters: NEXT and its reason, warnings, why an opening is
rejected, names of units, phases, verdicts, comparisons and keys."""

from __future__ import annotations

from rig.live.layout import render
from rig.live.text import blocks
from rig.live.unit_panel import large_words
from rig.live.view import UnitView, View
from rig.words.assessments import comparison_words, verdict_words

SIZES = ((80, 24), (100, 30), (120, 40))


def joined(lines: list[str]) -> str:
    """All words on the screen; what is broken over lines is one again."""
    return " ".join(" ".join(lines).split())


def verdict_shown(unit: UnitView, lines: list[str]) -> bool:
    """In large letters, or in words on the unit's own line."""
    for size in ("small", "large"):
        drawn = [line.rstrip() for line in blocks(large_words(unit), size)]
        if any(
            all(drawn[n] in lines[row + n] for n in range(len(drawn)))
            for row in range(len(lines) - len(drawn) + 1)
        ):
            return True
    return any(unit.unit.name in line and verdict_words(unit.verdict) in line for line in lines)


def assert_nothing_cut(view: View, size: tuple[int, int]) -> None:
    """What matters is there whole."""
    lines = render(view, *size).plain()
    text = joined(lines)
    said = [view.warning, view.caution, view.rig.detail]
    if view.question is not None:
        said.append(view.question.text)
    else:
        message = "" if "/" in view.message else view.message  # a path is broken anywhere
        said += [view.next + view.then, view.why, message]
        said += [comparison_words(each) for each in view.comparisons]
    for unit in view.units if view.panel is None and view.touches is None else ():
        said += [unit.unit.name] if view.goto else [unit.unit.name, unit.phase]
        if unit.verdict.verdict != "no window set" and not view.goto:
            assert verdict_shown(unit, lines)
        if unit.why_rejected and not unit.last_valid and view.reference.text and not view.question:
            said.append(unit.why_rejected)
    if view.step == "saved" and view.panel is not None:
        said += [line.text for line in view.panel.lines]
    for each in filter(None, said):
        assert " ".join(each.split()) in text, (each, size)
    pressed = view.then.partition(" ")[2]  # never broken
    assert view.question or any(pressed in line for line in lines), (pressed, lines)
    assert "…" not in lines[1], lines[1]  # the rig, its line, TDC and firing TDC
    for key in view.keys:
        assert f"{key.key} {key.label}" in text
