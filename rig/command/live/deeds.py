"""A deed: something that a person at a live bench may do, with its key and how it is taken back."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from rig.screen.view import DeedLine


@dataclass(frozen=True, slots=True)
class Deed:
    """``name`` stands in the foot; ``does`` and ``back`` (how it is taken back, or that it is asked
    about first) on the page of all keys. ``act`` raises InputError for what cannot be done."""

    key: str
    name: str
    does: str
    back: str
    act: Callable[[], None]


def page_of(deeds: Sequence[Deed]) -> tuple[DeedLine, ...]:
    """A line for each deed; neighbours that do the same share one."""
    lines: list[DeedLine] = []
    for deed in deeds:
        if lines and (lines[-1].does, lines[-1].back) == (deed.does, deed.back):
            lines[-1] = DeedLine(f"{lines[-1].key} {deed.key}", deed.does, deed.back)
        else:
            lines.append(DeedLine(deed.key, deed.does, deed.back))
    return tuple(lines)
