"""Captures and pin recordings that are empty, cut, edited, of another version, or no such thing."""

from __future__ import annotations

import functools
import itertools
import json
import zlib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_job import copied, finished, refused, rig

PINS = Path(__file__).parents[2] / "fixtures" / "pins"
KNOWN = ("--counts-per-turn", "4096", "--tdc-deg", "161.9")
CAPTURE_COMMANDS = ("results", "certify")


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return copied(tmp_path_factory.mktemp("captures"))


@pytest.fixture(scope="module")
def whole() -> bytes:
    return finished().capture.read_bytes()


def openings(path: Path, *options: str) -> list[dict[str, object]]:
    ran = rig("read", path, *options, "--json")
    assert ran.status == 0
    found: list[dict[str, object]] = ran.answer["openings"]
    return found


# -- captures ---------------------------------------------------------------------------------


def written(job: Path, data: bytes) -> Path:
    path = job / "captures" / "other.capture"
    path.write_bytes(data)
    return path


def test_no_such_recording(job: Path) -> None:
    path = job / "captures" / "none.capture"
    assert f"{path}: the recording cannot be read: there is no such file" in refused(
        2, "read", path
    )
    for command in CAPTURE_COMMANDS:
        assert f"{path}: the capture cannot be read: there is no such file" in refused(
            2, command, job, path
        )
    assert "it is a folder" in refused(2, "read", job)


def test_an_empty_capture(job: Path) -> None:
    path = written(job, b"")
    assert f"{path}: the file is empty" in refused(2, "read", path)
    for command in CAPTURE_COMMANDS:
        assert f"{path}: the capture is empty; nothing was recorded in it" in refused(
            2, command, job, path
        )


def test_a_file_that_is_no_recording(job: Path) -> None:
    path = written(job, b"Dear diary,\ntoday the engine ran.\n")
    assert f"{path}: no recording: it begins with 'Dear'; known are: capture, " in refused(
        2, "read", path
    )
    for command in CAPTURE_COMMANDS:
        said = refused(2, command, job, path)
        assert f"{path}: line 1 is not the head of a capture; give a capture" in said


def of_format(number: int) -> bytes:
    """A capture as a program of another version would write it."""
    body = b'# capture {"format":%d} 00000000' % number
    return b"%b %08X\n" % (body, zlib.crc32(body))


def test_a_capture_of_another_version(job: Path) -> None:
    path = written(job, of_format(2))
    sentence = f"{path}: line 1: this capture has format 2, this program reads format 1; use"
    assert sentence in refused(2, "read", path, *KNOWN)
    for command in CAPTURE_COMMANDS:
        assert sentence in refused(2, command, job, path)


def test_a_capture_in_which_no_rig_spoke(job: Path) -> None:
    path = written(job, of_format(1))
    said = refused(2, "read", path, *KNOWN)
    assert f"{path}: it has no position of a rig; the capture was cut off" in said
    ran = rig("results", job, path)
    assert ran.status == 1
    assert "no line from a rig: nothing came; check port and baud rate" in ran.err
    said = refused(2, "certify", job, path)
    assert "there is nothing to certify: no reading is valid yet" in said


@functools.cache
def in_the_whole() -> list[dict[str, Any]]:
    """The openings of the finished job's capture."""
    found: list[dict[str, Any]] = rig("read", finished().capture, "--json", *KNOWN).answer[
        "openings"
    ]
    return found


@settings(max_examples=12)
@given(share=st.floats(0.02, 0.999))
def test_a_capture_cut_off_anywhere_is_read_up_to_the_cut(share: float) -> None:
    job, whole = finished().folder, finished().capture.read_bytes()
    cut = whole[: int(share * len(whole))]
    path = job.parent / "cut.capture"
    path.write_bytes(cut)
    ran = rig("read", path, "--json", *KNOWN)
    if ran.status == 2:  # nothing but the head
        assert "it has no position of a rig" in ran.err
        return
    where = "inside" if not cut.endswith(b"\n") else "after"
    line = cut.count(b"\n") + (where == "inside")
    assert f"the capture was cut off {where} line {line}; it was read up to there" in ran.err
    read = [(str(one["unit"]), float(one["t_s"])) for one in ran.answer["openings"]]
    of_all = [(str(one["unit"]), float(one["t_s"])) for one in in_the_whole()]
    assert set(read) <= set(of_all)
    last_s = read[-1][1] if read else 0.0
    assert all(t_s > last_s - 0.5 for unit, t_s in of_all if (unit, t_s) not in read)


def test_a_cut_capture_keeps_its_figures_and_the_certificate_says_so(
    job: Path, whole: bytes
) -> None:
    path = written(job, whole[: int(0.9 * len(whole)) + 1])
    ran = rig("results", job, path, "--json")
    assert ran.status == 0
    assert ran.answer["judgements"]
    assert any("the capture was cut off" in text for text in ran.answer["said"])
    made = rig("certify", job, path, "--json")
    assert made.status == 0
    record = json.loads(Path(made.answer["certificate"]).read_bytes())
    assert any("the capture was cut off" in text for text in record["deviations"])
    assert "the capture was cut off" in Path(made.answer["page"]).read_text("utf-8")


def test_an_edited_capture_is_told(job: Path, whole: bytes) -> None:
    lines = whole.split(b"\n")
    at = next(i for i, line in enumerate(lines) if i > 400 and line.startswith(b"C "))
    body = b" ".join([*lines[at].split(b" ")[:-2], b"."])
    lines[at] = b"%b %08X" % (body, zlib.crc32(body))  # with a checksum that holds
    path = written(job, b"\n".join(lines))
    sentence = "something before line "
    assert sentence in rig("read", path, *KNOWN).err
    assert sentence in rig("results", job, path).err
    made = rig("certify", job, path, "--json")
    record = json.loads(Path(made.answer["certificate"]).read_bytes())
    assert any(sentence in text for text in record["deviations"])


def test_a_line_taken_out_of_a_capture_is_told(job: Path, whole: bytes) -> None:
    lines = whole.split(b"\n")
    del lines[len(lines) // 2]
    ran = rig("read", written(job, b"\n".join(lines)), *KNOWN, "--json")
    assert "something before line " in ran.err
    assert sum(ran.answer["line_errors"].values()) >= 1


@settings(max_examples=15)
@given(data=st.binary(max_size=300), at=st.floats(0.0, 1.0))
def test_dirt_anywhere_in_a_capture_ends_nothing(data: bytes, at: float) -> None:
    whole = finished().capture.read_bytes()
    place = int(at * len(whole))
    path = finished().folder.parent / "dirt.capture"
    path.write_bytes(whole[:place] + data + whole[place:])
    ran = rig("read", path, *KNOWN)
    assert ran.status in (0, 2)
    assert ran.err.replace("\n", "").isprintable()


# -- pin recordings ---------------------------------------------------------------------------


def vcd(path: Path, text: str) -> Path:
    path.write_text(text, "utf-8")
    return path


HEAD = """$timescale 1 us $end
$scope module rig $end
$var wire 1 ! a $end
$var wire 1 " b $end
$var wire 1 # z $end
$var wire 1 $ contact1 $end
$upscope $end
$enddefinitions $end
#0
0!
0"
0#
0$
"""
COUNTS = 400
TURN_US = COUNTS * 1000


def turns(number: int, opens_at: int = 100, closes_at: int = 300, tick_us: int = 1) -> str:
    """Whole turns at a millisecond a count; the contacts part 0.4 ms into count ``opens_at``."""
    events: list[tuple[int, str]] = []
    for count in range(1, number * COUNTS):
        pin = '!"!"'[(count - 1) % 4]
        events.append((count * 1000, f"{'1100'[(count - 1) % 4]}{pin}"))
    for turn in range(number):
        start = turn * TURN_US
        if turn:
            events += [(start + 10, "1#"), (start + 1500, "0#")]
        events += [(start + opens_at * 1000 + 400, "1$"), (start + closes_at * 1000 + 400, "0$")]
    grouped = itertools.groupby(sorted(events), key=lambda event: event[0] // tick_us)
    return "".join(f"#{tick}\n" + "".join(f"{e}\n" for _, e in group) for tick, group in grouped)


OURS = ("--counts-per-turn", str(COUNTS), "--tdc-deg", "120")


@pytest.fixture
def sound(tmp_path: Path) -> Path:
    return vcd(tmp_path / "sound.vcd", HEAD + turns(3))


def test_a_sound_recording_reads_as_it_was_drawn(sound: Path) -> None:
    found = openings(sound, *OURS)
    assert [one["t_s"] for one in found] == [0.1004, 0.5004, 0.9004]
    for turn, one in enumerate(found):
        assert one["crank_deg"] == pytest.approx((turn + 100.4 / COUNTS) * 360.0, abs=0.05)
        assert one["btdc_deg"] == pytest.approx(120 - 100.4 / COUNTS * 360.0, abs=0.05)


def test_the_counts_have_to_be_known(sound: Path) -> None:
    said = refused(2, "read", sound)
    assert f"{sound}: a pin recording does not contain the counts per turn" in said
    assert "give --counts-per-turn (four times the encoder's lines)" in said


def test_wrong_counts_are_found_out_by_the_index(sound: Path) -> None:
    for stated in (100, 300, 1600):
        ran = rig("read", sound, "--counts-per-turn", stated, "--json")
        assert f"400 counts from index to index, {stated} entered: all angles would be" in ran.err
        assert "is --counts-per-turn right?" in ran.err
        assert [one["valid"] for one in ran.answer["openings"]] == [False] * 3


@pytest.mark.parametrize("role", ["a", "b", "contact1"])
def test_no_such_signal(tmp_path: Path, role: str) -> None:
    path = vcd(tmp_path / "x.vcd", (HEAD + turns(1)).replace(f" {role} $end", " other $end"))
    said = refused(2, "read", path, *OURS)
    assert f"{path}: no signal called '{role}'; there are: " in said
    assert "rig.other" in said
    assert "Name the right one, for example a=NAME." in said
    assert rig("read", path, *OURS, "--signal", f"{role}=rig.other").status == 0


def test_a_name_that_is_no_pin(sound: Path) -> None:
    said = refused(2, "read", sound, *OURS, "--signal", "wheel=a")
    assert "'wheel=a' names no pin: give names for a, b, z and contact1 to contact16." in said
    assert "'a' is not of the form NAME=VALUE" in refused(2, "read", sound, "--signal", "a")


def test_x_and_z_are_no_levels(tmp_path: Path) -> None:
    """0 to x to 0 is no edge: neither an opening nor a count."""
    unknown = turns(3).replace("#200000\n", "x$\nz!\n#200000\n0!\n0$\n", 1)
    plain = openings(vcd(tmp_path / "plain.vcd", HEAD + turns(3)), *OURS)
    path = vcd(tmp_path / "x.vcd", HEAD + unknown)
    found = openings(path, *OURS)
    assert [one["t_s"] for one in found] == [one["t_s"] for one in plain]


def test_a_pin_that_is_never_known(tmp_path: Path) -> None:
    text = "".join(
        line
        for line in (HEAD + turns(1)).splitlines(keepends=True)
        if not (line.endswith("!\n") and line[0] in "01")
    )
    said = refused(2, "read", vcd(tmp_path / "x.vcd", text), *OURS)
    assert "a is never 0 or 1, so nothing can be counted" in said


def test_reals_and_vectors_in_the_way(tmp_path: Path) -> None:
    head = HEAD.replace(
        "$upscope", "$var real 64 % speed $end\n$var wire 8 & bus [7:0] $end\n$upscope"
    )
    body = turns(3).replace("#200000\n", "#200000\nr12.5 %\nb1010 &\nbx &\n")
    found = openings(vcd(tmp_path / "x.vcd", head + body), *OURS)
    assert [one["t_s"] for one in found] == [0.1004, 0.5004, 0.9004]
    wrong = HEAD.replace("wire 1 $ contact1", "wire 8 $ contact1 [7:0]")
    said = refused(2, "read", vcd(tmp_path / "y.vcd", wrong + turns(1)), *OURS)
    assert "'contact1' is a wire of 8 bits; a pin is one bit" in said
    wrong = HEAD.replace("wire 1 ! a", "real 64 ! a")
    said = refused(2, "read", vcd(tmp_path / "z.vcd", wrong + turns(1)), *OURS)
    assert "'a' is a real of 64 bits; a pin is one bit" in said


def test_a_truncated_recording(tmp_path: Path, sound: Path) -> None:
    text = sound.read_text("utf-8")
    path = vcd(tmp_path / "cut.vcd", text[: text.index("#600000") + 4])
    ran = rig("read", path, *OURS, "--json")
    assert ran.status == 0
    assert [one["t_s"] for one in ran.answer["openings"]] == [0.1004, 0.5004]
    path = vcd(tmp_path / "head.vcd", text[: text.index("$enddefinitions")])
    said = refused(2, "read", path, *OURS)
    assert f"{path}: ends within its header (no '$enddefinitions $end')" in said
    assert "is empty" in refused(2, "read", vcd(tmp_path / "empty.vcd", ""), *OURS)


@pytest.mark.parametrize(("scale", "tick_us"), [("10us", 10), ("100 us", 100)])
def test_a_timescale_of_another_unit(tmp_path: Path, scale: str, tick_us: int) -> None:
    head = HEAD.replace("1 us", scale)
    found = openings(vcd(tmp_path / "x.vcd", head + turns(3, tick_us=tick_us)), *OURS)
    assert [one["t_s"] for one in found] == [0.1004, 0.5004, 0.9004]


def test_nanoseconds_on_a_line_of_their_own(tmp_path: Path) -> None:
    head = HEAD.replace("1 us", "\n 100\n ns\n")
    body = "".join(
        f"#{int(line[1:]) * 10}\n" if line.startswith("#") else f"{line}\n"
        for line in turns(3).splitlines()
    )
    found = openings(vcd(tmp_path / "x.vcd", head + body), *OURS)
    assert [one["t_s"] for one in found] == [0.1004, 0.5004, 0.9004]


@pytest.mark.parametrize("scale", ["1 fortnight", "7 us", ""])
def test_a_timescale_that_means_nothing(tmp_path: Path, scale: str) -> None:
    path = vcd(tmp_path / "x.vcd", HEAD.replace("1 us", scale) + turns(1))
    said = refused(2, "read", path, *OURS)
    assert "it must be 1, 10 or 100 and one of s, ms, us, ns, ps, fs" in said


def test_time_that_runs_backwards(tmp_path: Path) -> None:
    text = HEAD + turns(2).replace("#500000\n", "#5000\n", 1)
    ran = rig("read", vcd(tmp_path / "x.vcd", text), *OURS)
    assert ran.status in (0, 2)
    assert "x.vcd: " in ran.err
    assert "back" in ran.err


@pytest.mark.parametrize("name", ["chatter", "backlash", "coarse"])
def test_the_pin_recordings_are_read_with_none_missed_and_none_invented(name: str) -> None:
    """Truth: the JSON beside each recording."""
    truth = json.loads((PINS / f"{name}.json").read_bytes())
    found = openings(
        PINS / f"{name}.vcd",
        *("--counts-per-turn", str(truth["counts_per_rev"])),
        *("--tdc-deg", str(truth["tdc_deg_after_index"])),
    )
    for unit, wanted in truth["units"].items():
        times = [one["t_s"] for one in found if one["unit"] == f"contact{unit}"]
        assert times == pytest.approx([o["t"] for o in wanted["openings"]], abs=2e-5)
