"""The header of a dump: signals found by name, and clear words for what is wrong."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest

from rig.base.errors import InputError
from rig.pins.vcd_header import Header, read_header

GOOD = """$date today $end
$version a simulator $var wire 1 ? no $end
$comment $enddefinitions in a comment $end
$timescale 10 ns $end
$scope module top $end
 $var wire 1 ! a $end
 $scope module rig $end
  $var reg 1 " a $end
  $var wire 1 # b [0] $end
  $var wire 1 # again $end
  $var wire 8 % bus [7:0] $end
  $var wire 1 & bit[3] $end
  $var wire 1 ' Channel 0 $end
  $var real 1 ( speed $end
 $upscope $end
$upscope $end
$unknown x y $end
$enddefinitions $end
"""


def header_of(tmp_path: Path, text: str | bytes) -> Header:
    path = tmp_path / "dump.vcd"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return read_header(path)


def test_signals_are_found_by_name(tmp_path: Path) -> None:
    header = header_of(tmp_path, GOOD)
    assert header.tick_us == Fraction(1, 100)
    assert header.pin("top.rig.a").code == b'"'
    assert header.pin("rig.a").code == b'"'
    assert header.pin("b").code == header.pin("b[0]").code == header.pin("again").code == b"#"
    assert header.pin("bit").code == header.pin("bit[3]").code == b"&"
    assert header.pin("Channel 0").code == b"'"
    assert not header.has("no")
    assert GOOD.encode()[: header.body_offset].endswith(b"$enddefinitions $end")


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("a", ["top.a", "top.rig.a", "scope"]),
        ("missing", ["no signal called 'missing'", "top.rig.b[0]", "top.rig.speed"]),
        ("bus", ["8 bits"]),
        ("speed", ["real"]),
        ("A", ["no signal called 'A'"]),  # case matters
    ],
)
def test_a_signal_that_will_not_do(tmp_path: Path, name: str, words: list[str]) -> None:
    header = header_of(tmp_path, GOOD)
    with pytest.raises(InputError) as error:
        header.pin(name)
    assert all(word in str(error.value) for word in words)
    assert "dump.vcd" in str(error.value)


@pytest.mark.parametrize("text", ["1s", "10 s", "100ms", "1 us", "10  ns", "100 ps", "1 fs"])
def test_every_step_of_time(tmp_path: Path, text: str) -> None:
    unit = {"s": 6, "ms": 3, "us": 0, "ns": -3, "ps": -6, "fs": -9}
    number = text.rstrip("smunpf ")
    header = header_of(tmp_path, f"$timescale\n{text}\n$end\n$enddefinitions $end\n")
    step = Fraction(10) ** unit[text.removeprefix(number).strip()]
    assert header.tick_us == int(number) * step


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (b"", "is empty"),
        (b" \n\n", "is empty"),
        (b"Time,a,b\n0,1,0\n", "not a value change dump"),
        (b"\x7fELF\x02\x01\x01\x00\x00", "not a value change dump"),
        (b"\xff" * 3_000_000, "not a value change dump"),
        (b"$HOME is where\n", "not a value change dump"),
        (b"$date x $end $enddefinitions $end\n#0\n", "no $timescale"),
        (b"$timescale 3 us $end $enddefinitions $end\n", "'3us'"),
        (b"$timescale 1 minute $end $enddefinitions $end\n", "'1minute'"),
        (b"$timescale 1us $end $timescale 1ns $end $enddefinitions $end\n", "differ"),
        (b"$timescale 1us $end $var wire 1 $end $enddefinitions $end\n", "$var"),
        (b"$timescale 1us $end $var wire x ! a $end $enddefinitions $end\n", "$var"),
        (b"$timescale 1us $end oops $enddefinitions $end\n", "'oops'"),
    ],
)
def test_what_is_no_good_dump(tmp_path: Path, text: bytes, words: str) -> None:
    with pytest.raises(InputError) as error:
        header_of(tmp_path, text)
    assert words in str(error.value)
    assert "dump.vcd" in str(error.value)


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    for path in (tmp_path / "none.vcd", tmp_path):
        with pytest.raises(InputError, match="cannot be read"):
            read_header(path)


def test_a_header_cut_anywhere_is_an_error(tmp_path: Path) -> None:
    end = len(GOOD.rstrip())
    for cut in range(end - 1):
        with pytest.raises(InputError, match=r"cut off|empty|not a value change dump"):
            header_of(tmp_path, GOOD[:cut])


def test_texts_of_the_file_come_out_harmless(tmp_path: Path) -> None:
    header = header_of(
        tmp_path,
        b"$timescale 1us $end $var wire 1 ! \x9b31m\xe2\x80\xaex $end $enddefinitions $end\n",
    )
    with pytest.raises(InputError) as error:
        header.pin("a")
    assert str(error.value).isascii()


def test_a_long_header_is_read_in_pieces(tmp_path: Path) -> None:
    text = "$timescale 1 us $end\n" + "".join(
        f"$var wire 1 v{n} signal_{n} $end\n" for n in range(30_000)
    )
    header = header_of(tmp_path, text + "$enddefinitions $end\n#0\n")
    assert header.pin("signal_29999").code == b"v29999"
    assert header.body_offset == len(text) + len("$enddefinitions $end")
