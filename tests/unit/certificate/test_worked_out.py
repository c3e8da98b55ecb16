"""Each U of a certificate worked out again by a reader with a pocket calculator: from the digits
that the page prints, and nothing else. JCGM 100:2008, 5.1.2 (sum of squares), G.4.1 (degrees of
freedom), Table G.2 (Student's factor, here from scipy.stats).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace

import pytest
from fabricated_record import profile, readings, record, reference
from page_reader import PageReader
from scipy.stats import t as student

from rig.base.rounding import two_figures
from rig.certificate import page
from rig.certificate.record import as_certificate
from rig.timing.assess import assess
from rig.timing.compare import compare_units

NUMBER = r"[0-9]+(?:\.[0-9]+)?"
PART = re.compile(rf"({NUMBER})(?: \(ν ({NUMBER}|∞)\))?")


@dataclass
class Line:
    """A printed line: its parts as (u, ν), and what is printed of u, ν, k and U."""

    parts: list[tuple[float, float]]
    u: float
    nu: float
    k: float
    U: float
    named: str


def freedom(text: str) -> float:
    return math.inf if text in ("", "∞") else float(text)


def part(cell: str) -> tuple[float, float]:
    found = PART.fullmatch(cell)
    assert found, cell
    return float(found[1]), freedom(found[2] or "")


class Sheet(PageReader):
    """The budget's tables: captions and rows, as lists of the text of their cells; and what is the
    same in every line of all."""

    def __init__(self, drawn: str) -> None:
        self.tables: list[tuple[str, list[list[str]]]] = []
        self.everywhere = ""
        self._is_common = False
        self._inside = False
        super().__init__(drawn)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        super().handle_starttag(tag, attrs)
        self._is_common = dict(attrs).get("class") == "common"
        if tag == "div":
            self._inside = (dict(attrs).get("class") or "").startswith("budget")
        elif self._inside and tag == "table":
            self.tables.append(("", []))
        elif self._inside and tag == "tr":
            self.tables[-1][1].append([])
        elif self._inside and tag in ("td", "th"):
            self.tables[-1][1][-1].append("")

    def handle_data(self, data: str) -> None:
        super().handle_data(data)
        if self._is_common or (self.everywhere and "p" in self._open and not self.tables):
            self.everywhere += data
        if not (self._inside and self.tables):
            return
        caption, rows = self.tables[-1]
        if "caption" in self._open:
            self.tables[-1] = (caption + data, rows)
        elif rows and rows[-1] and {"td", "th"} & set(self._open):
            rows[-1][-1] += data


def lines_of(drawn: str) -> list[Line]:
    found, phase = [], ""
    sheet = Sheet(drawn)
    for caption, (heads, *rows) in sheet.tables:
        shared = caption.partition("in every line:")[2]
        if "s" in heads:
            shared += sheet.everywhere.partition("In every line:")[2]
        common = [part(each) for each in re.findall(rf"{NUMBER}(?: \(ν (?:{NUMBER}|∞)\))?", shared)]
        for row in rows:
            if len(row) == 1:
                (phase,) = row
                continue
            assert len(row) == len(heads)
            at = heads.index("k") - 2  # u, ν, k, U stand last
            own = row[:at]
            if "s" in heads:
                s, nu, n = own[1:4]
                parts = [(float(s) / math.sqrt(float(n)), freedom(nu))]
                own = own[4:]
            else:
                parts, own = [], own[2:]
            parts += [part(each) for each in own if each != "–"]
            u, nu, k, U = row[at:]
            found.append(Line([*parts, *common], float(u), freedom(nu), float(k), float(U),
                              f"{caption}, {phase}: {row[0]}"))  # fmt: skip
    return found


RADIAL = {"cylinders": 4, "phases": ("as found", "as left"), "n": 3}


@pytest.mark.parametrize(
    "given",
    [{}, {"n": 3}, {"n": 2, "cylinders": 2}, {"cylinders": 1, "units": ("rear",)}, RADIAL],
    ids=["eight readings", "three", "two", "one cylinder", "found and left"],
)
def test_each_uncertainty_follows_from_what_is_printed(given: dict[str, object]) -> None:
    made = record(**given)  # type: ignore[arg-type]
    lines = lines_of(page.render(made))
    whole = as_certificate(made)
    stated = [each for each in whole.judgements if each.uncertainty is not None]
    pairs = {(c.first, c.second, c.setting, c.phase) for c in whole.comparisons if c.uncertainty}
    assert len(lines) == len(stated) + len(pairs)
    for line in lines:
        worked_out(line)
    # The U that the first sheet has beside each mean is among them.
    printed = {two_figures(each.uncertainty.U_deg) for each in stated if each.uncertainty}
    assert printed <= {two_figures(line.U) for line in lines}


def worked_out(line: Line) -> None:
    """The reader's own u, ν, k and U against the printed ones, to the last digit printed."""
    u = math.sqrt(sum(u * u for u, _ in line.parts))
    assert u == pytest.approx(line.u, rel=1e-3), line.named
    slack = sum(u**4 / nu for u, nu in line.parts)
    nu = u**4 / slack if slack else math.inf
    if line.nu < 1000.0:
        assert nu == pytest.approx(line.nu, rel=5e-3), line.named
    cut = math.floor(line.nu) if math.isfinite(line.nu) else 10**9
    assert float(student.ppf(0.975, cut)) == pytest.approx(line.k, abs=6e-4), line.named
    U = line.k * line.u
    last = 10.0 ** -len(f"{line.U}".partition(".")[2])
    assert abs(U - line.U) <= 0.5 * last + 1e-3 * U, line.named


def test_entered_tdcs_stand_in_the_budget_and_on_the_page() -> None:
    job = profile()
    engine = replace(job.engine, entered_tdc_deg={2: 180.3, 3: 360.0}, entered_tdc_within_deg=0.25)
    job = replace(job, engine=engine)
    read = readings(job)
    made = record(
        profile=job, readings=read, judgements=assess(read, job, reference()),
        comparisons=compare_units(read, job, reference()),
    )  # fmt: skip
    drawn = page.render(made)
    for line in lines_of(drawn):
        worked_out(line)
    text = PageReader(drawn).text
    assert "cyl. 2 180.3°, cyl. 3 360° after cylinder 1's; each ± 0.25°" in text
    own = [line for line in lines_of(drawn) if line.named.startswith("upper, full advance")]
    entered = 0.25 / math.sqrt(3.0)
    with_it = [any(u == pytest.approx(entered, rel=0.01) for u, _ in line.parts) for line in own]
    assert with_it == [False, False, True, True, False]  # all, 1, 2, 3, 4
