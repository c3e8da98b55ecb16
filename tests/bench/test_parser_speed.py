"""Lines of a rig read side by side against one after another."""

from __future__ import annotations

import pytest
from launch_engine import launch_engine
from ratio import least_s

from rig.virtual.board import BoardSpec
from rig.virtual.rig import run
from rig.wire.reader import FEW, LineReader

pytestmark = pytest.mark.bench


def feed(pieces: list[bytes]) -> int:
    reader = LineReader()
    for piece in pieces:
        reader.feed(piece)
    reader.finish()
    return reader.lines


def test_side_by_side_is_worth_its_code() -> None:
    board = BoardSpec(4096, 2)
    data = run(["turn 3600 at 150"], launch_engine(), 5, board=board).data
    lines = data.splitlines(keepends=True)
    few = [b"".join(lines[at : at + FEW]) for at in range(0, len(lines), FEW)]
    assert feed([data]) == feed(few) == len(lines)
    took = least_s(7, together=lambda: feed([data]), single=lambda: feed(few))
    ratio = took["together"] / took["single"]
    print(f"\nlines side by side: {ratio:.2f} of the time of one after another")
    assert ratio <= 0.4
