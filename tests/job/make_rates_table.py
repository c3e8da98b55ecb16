"""Simulate histories and reports, and write the rates of false statements into ``rates.md``.

    PYTHONPATH=tests/support python tests/job/make_rates_table.py [TIMES]

3,000 histories a cell by default; a third of it for the exits, a tenth for reports of units.
"""

from __future__ import annotations

import sys
from pathlib import Path

from simulated import (
    CERTIFICATES,
    READINGS,
    TDC_DEG,
    TURNS,
    exits_too_soon,
    false_changes,
    false_drift,
)

BEGIN, END = "<!-- rates -->\n", "<!-- end of rates -->\n"


def table(times: int) -> str:
    """All three tables."""
    head = "| certificates, TDC | " + " | ".join(f"{n} readings" for n in READINGS) + " |\n"
    rule = "| --- " * (1 + len(READINGS)) + "|\n"
    text = f"\nDrift stated of what does not drift, percent of {times} histories a cell.\n\n"
    text += head + rule
    for tdc, u_deg in TDC_DEG.items():
        for many in CERTIFICATES:
            cells = [f"{false_drift(times, many, n, u_deg).percent:.1f}" for n in READINGS]
            text += f"| {many}, {tdc} | {' | '.join(cells)} |\n"
    text += (
        "\nTrue exit before *as early as*, percent of the histories in which a day is stated.\n\n"
    )
    text += head + rule
    for tdc, u_deg in TDC_DEG.items():
        for many in CERTIFICATES:
            found = [exits_too_soon(times // 3, many, n, u_deg) for n in READINGS]
            cells = [f"{each.percent:.1f} of {each.of}" for each in found]
            text += f"| {many}, {tdc} | {' | '.join(cells)} |\n"
    text += (
        "\nTwo reports of one unit with four lobes, nothing changed: figures called changed, and"
    )
    text += (
        " comparisons with any, percent.\n\n| turns | figures | any of 18 |\n| --- | --- | --- |\n"
    )
    for turns in TURNS:
        figures, some = false_changes(times // 10, turns)
        text += f"| {turns} | {figures.percent:.1f} | {some.percent:.1f} |\n"
    return text + "\n"


if __name__ == "__main__":
    readme = Path(__file__).with_name("rates.md")
    before, _, rest = readme.read_text("utf-8").partition(BEGIN)
    _, _, after = rest.partition(END)
    made = table(int(sys.argv[1]) if len(sys.argv) > 1 else 3000)
    readme.write_text(before + BEGIN + made + END + after, "utf-8")
    print(made)
