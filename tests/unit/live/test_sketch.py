"""Pictures of the screen."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest
from screen_states import LOST, READING
from sketch import picture


def test_a_png_of_80_by_24(tmp_path: Path) -> None:
    path = picture(READING, tmp_path / "screen.png")
    data = path.read_bytes()
    # PNG (ISO/IEC 15948) 5.2 signature, 11.2.2 width and height.
    assert data[:8] == b"\x89PNG\r\n\x1a\n"
    width, height = struct.unpack(">II", data[16:24])
    assert 900 < width < 1400
    assert 1.3 < width / height < 1.8


def test_an_svg_loads_nothing_from_outside(tmp_path: Path) -> None:
    text = picture(LOST, tmp_path / "screen.svg", 80, 24).read_text()
    assert "<svg" in text
    assert "@font-face" not in text
    assert "<image" not in text
    assert "<script" not in text


def test_an_unknown_kind_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="xyz"):
        picture(READING, tmp_path / "screen.xyz")
