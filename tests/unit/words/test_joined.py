"""Sentences joined from pieces, as whole jobs show them: nothing is said twice in a row, no
piece is missing, no number disagrees with its noun."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from made_job import certificate_in, finished, rig
from page_reader import PageReader
from wrong_job import wrong_job

WRONG = {
    "said twice": re.compile(r"\b([a-z][a-z ]{2,60}?)[:,;.]? (?:\1)(?=[:,;.)]|$)"),
    "a piece is missing": re.compile(
        r"[:,;] *[:,;.]|\( *\)|\(\s|\s\)|[^ .]\.\.(?!\.)|[a-z] [,;:.](?= )"
    ),
    "plural of one": re.compile(
        r"(?<![\d.,/x] )(?<![\d.])\b1 (?!(?:across|as|brings|is|was|has|less|ms|us|s)\b)[a-z]+s\b"
    ),
}


def faults(text: str) -> Iterator[str]:
    for name, pattern in WRONG.items():
        for found in pattern.finditer(text):
            around = text[max(0, found.start() - 40) : found.end() + 40]
            yield f"{name}: {around!r}"


@pytest.mark.parametrize(
    "text",
    [
        "inconclusive: inconclusive",
        "seen on 1 sides",
        "1 touches turning forward",
        "upper: ; take 2 more",
        "the index came, , again",
        "no window set () for lower",
        "TDC has moved.. Find it again",
    ],
)
def test_what_is_looked_for_is_found(text: str) -> None:
    assert list(faults(text))


@pytest.mark.parametrize(
    "text",
    [
        "1 reading: 2 touches turning forward and 1 turning back",
        "cylinders 1 and 2: inside by 0.40°, 21 readings",
        "k = 2.1, nu = 31 degrees of freedom; 0.1 degrees",
        "captures/2026-03-01.txt: read to its end ...",
    ],
)
def test_what_is_right_is_left_alone(text: str) -> None:
    assert not list(faults(text))


def sentences(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for each in value.values():
            yield from sentences(each)
    elif isinstance(value, list):
        for each in value:
            yield from sentences(each)


def test_every_sentence_of_whole_jobs(tmp_path: Path) -> None:
    said: set[str] = set()
    wrong = wrong_job(tmp_path)
    for job in (finished().folder, wrong.folder):
        for words in (
            ("results", job, "--readings"),
            ("range", job),
            ("tdc", "show", job),
            ("adjust", job),
            ("check", job),
            ("read", next((job / "captures").iterdir()), "--job", job),
        ):
            ran = rig(*words)
            said.update(ran.err.splitlines(), ran.out.splitlines())
            said.update(sentences(json.loads(rig(*words, "--json").out or "{}")))
    certificate = certificate_in(finished().folder)
    said.update(sentences(json.loads(certificate.read_text("ascii"))))
    said.update(PageReader(certificate.with_suffix(".html").read_text("utf-8")).pieces)
    assert len(said) > 500
    sentence = {re.sub(r"\s{2,}", " | ", text.strip()) for text in said if "\n" not in text}
    found = sorted({fault for text in sentence for fault in faults(text)})
    assert not found, "\n".join(found)
