"""A pin recording whose contact inputs show everything late."""

from __future__ import annotations

import re


def shown_late(vcd: str, late_us: int) -> str:
    """A recording (time scale 1 us) whose contact inputs show everything ``late_us`` late."""
    assert "$timescale 1 us $end" in vcd
    contacts = set(re.findall(r"\$var wire 1 (\S) contact\d", vcd))
    head, begin, body = vcd.partition("$dumpvars")
    first, _, rest = body.partition("$end")
    changes: list[tuple[int, int, str]] = []
    now = 0
    for n, word in enumerate(rest.split()):
        if word.startswith("#"):
            now = int(word[1:])
        else:
            changes.append((now + (late_us if word[1:] in contacts else 0), n, word))
    changes.sort()
    lines = [f"#{t}\n{word}" for t, _, word in changes]
    return f"{head}{begin}{first}$end\n" + "\n".join(lines) + "\n"
