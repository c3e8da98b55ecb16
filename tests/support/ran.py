"""A command called in this process: its status, and that it said only what is harmless."""

from __future__ import annotations

import contextlib
import io
import unicodedata
from pathlib import Path

from rig.cli.main import main


def run(*words: str | Path | float) -> int:
    """The exit status; an exception that reaches the user is one here."""
    out, err = (io.TextIOWrapper(io.BytesIO(), "utf-8", newline="") for _ in range(2))
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        status = main([str(word) for word in words])
    for stream in (out, err):
        stream.seek(0)
        text = stream.read()
        assert harmless(text), text
    assert status in (0, 1, 2), status
    return status


def harmless(text: str) -> bool:
    """Nothing that could steer a terminal, reverse writing or hide."""
    return all(c == "\n" or unicodedata.category(c)[0] != "C" for c in text)
