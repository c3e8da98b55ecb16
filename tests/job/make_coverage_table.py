"""Do thousands of whole jobs, print the table of coverage and write it into ``coverage.md``.

    PYTHONPATH=tests/support python tests/job/make_coverage_table.py [JOBS] [PROCESSES]

2,000 jobs a scenario by default, on two processes.
"""

from __future__ import annotations

import sys
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from statistics import fmean, median

from coverage_score import SCENARIOS, Score, Tally, score

SEED = 5
BEGIN, END = "<!-- coverage -->\n", "<!-- end of coverage -->\n"
HEAD = (
    "| scenario | dead centre | one cylinder | unit | difference | in on limit | out on limit "
    "| wrong |\n| --- | --- | --- | --- | --- | --- | --- | --- |\n"
)


def cell(tally: Tally) -> str:
    """Coverage; then what explains it, where an ordinary 95 % is not to be expected."""
    if not tally.held:
        return ""
    text, nu = f"{100 * tally.coverage:.1f}", median(tally.nu_eff)
    if nu < 8.0:
        return f"{text} (nu {nu:.0f})"
    if tally.is_bounded:
        share, law = 100 * median(tally.bounded), 100 * fmean(tally.by_law)
        return f"{text} ({tally.usual_part} {share:.0f} %, its law {law:.1f})"
    return text


def row(name: str, found: Score) -> str:
    """One line of the table."""
    verdicts = [f"{100 * share:.1f}" for share in found.wrong.values()]
    inside, outside, together, apart, wrong, _ = verdicts
    return (
        f"| {name} | {' | '.join(cell(tally) for tally in found.figures.values())} "
        f"| {inside}, {together} | {outside}, {apart} | {wrong} |\n"
    )


def main(jobs: int = 2000, processes: int = 2) -> None:
    """Print the table and put it between its marks."""
    print(HEAD, end="", flush=True)
    table = HEAD
    with ProcessPoolExecutor(processes) as pool:
        scored = pool.map(partial(score, jobs=jobs, seed=SEED), SCENARIOS.values())
        for name, found in zip(SCENARIOS, scored, strict=True):
            line = row(name, found)
            print(line, end="", flush=True)
            table += line
    page = Path(__file__).with_name("coverage.md")
    before, _, rest = page.read_text("utf-8").partition(BEGIN)
    after = rest.partition(END)[2]
    said = f"\n{jobs} jobs a scenario, seed {SEED}; percent.\n\n"
    page.write_text(f"{before}{BEGIN}{said}{table}\n{END}{after}", "utf-8")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
