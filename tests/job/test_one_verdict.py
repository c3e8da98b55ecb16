"""One verdict a unit: dashboard, certificate and history give the same."""

from __future__ import annotations

import re
from html import unescape
from pathlib import Path

import pytest
from made_job import MadeJob, rig
from slow_but import slow_but

from rig.certificate import record
from rig.live.actions import save
from rig.live.layout import render
from rig.live.plain_lines import changes
from rig.live.ui_state import UiState
from rig.timing.assess import UnitVerdict, unit_verdict
from rig.words.assessments import (
    beyond_words,
    comparison_words,
    of_cylinders,
    verdict_word,
    verdict_words,
    worst_verdict,
)

JOBS = [
    ("example", 3, ()),
    ("example", 6, ("move upper 2",)),
    ("example", 7, ("move lower -24",)),
    ("radial_nine", 4, ()),
    ("two_stroke_single", 5, ("move magneto 0.9",)),
    ("radial_nine", 8, ("move front plugs 1",)),
]


def words_of(html: str) -> str:
    return " ".join(unescape(re.sub(r"<[^>]*>", " ", html)).split())


@pytest.mark.parametrize("job", slow_but(JOBS, *JOBS[:2]), ids=str)
def test_the_same_verdict_everywhere(tmp_path: Path, job: tuple[str, int, tuple[str, ...]]) -> None:
    engine, seed, before = job
    made = MadeJob(tmp_path / "job", seed, example=engine)
    made.do(*before, "turn 700 at 150")
    made.find_tdc(3)
    if made.job.profile.engine.strokes == 4:
        made.state_stroke()
    made.do("turn 2200 at 110")
    view = UiState(made.live).view()
    session = made.live.session
    verdicts: dict[tuple[str, str], UnitVerdict] = {}
    for shown in view.units:
        name, setting = shown.unit.name, shown.setting.name
        found = unit_verdict(session.assessments(), name, setting, shown.phase)
        assert shown.verdict == found
        assert found.verdict != "no window set"
        verdicts[name, setting] = found
    plain = "\n".join(changes(None, view))
    small = "\n".join(render(view, 60, 20).plain())
    saved = save(made.live)
    page = words_of(saved.files[1].read_text("utf-8"))
    kept = record.as_certificate(record.load(saved.files[0])).judgements
    trend = " ".join(rig("trend", made.folder).out.split())
    results = rig("results", made.folder).out
    for pair in view.comparisons:
        said = comparison_words(pair)
        assert said in plain
        if (worst := worst_verdict(pair)) != pair[0].verdict:
            assert said.endswith(f": {worst}{of_cylinders(pair, worst)}")
            assert f"{worst}{of_cylinders(pair, worst)}" in page
    for (name, setting), verdict in verdicts.items():
        words = verdict_words(verdict)
        phase = next(u.phase for u in view.units if u.unit.name == name)
        assert unit_verdict(kept, name, setting, phase) == verdict
        head = f"{name}, {setting}"
        assert any(line.startswith(head) and words in line for line in plain.splitlines())
        assert any(name in line and words in line for line in small.splitlines())
        block = page.partition(f"{name} {setting}")[2] or page.partition(name)[2]
        assert words in block[:400]
        if engine != "radial_nine":  # each cylinder by its own figure: no series of the unit
            alone = r"(, cylinder 1)?"  # of an engine with one cylinder
            (line,) = re.findall(rf"{re.escape(head)}{alone} (20.{{90}})", trend)
            assert words in line[1]
        assert f"{head}, {phase}: {words}" in results
        assert verdict_word(verdict) in words
        assert beyond_words(verdict) in words
