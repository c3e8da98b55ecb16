"""What goes to standard output and standard error.

Figures go to standard output: plain lines, or with ``--json`` one JSON object and nothing else.
Messages go to standard error. Names come from files, rigs and folders: what is printed is made
harmless first.
"""

from __future__ import annotations

import argparse
import dataclasses
import json
import math
import sys
from collections.abc import Iterable
from typing import Any, TextIO

from rig.engine import stated
from rig.screen.keys import shows_unicode
from rig.screen.wording import clean


def json_option(parser: argparse.ArgumentParser) -> None:
    """Give a command its ``--json``."""
    parser.add_argument("--json", action="store_true", help="print one JSON object, nothing else")


def plain(value: Any) -> Any:
    """``value`` with dataclasses as dictionaries, and numbers that JSON cannot hold as null."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if dataclasses.is_dataclass(value):
        return plain(parts_of(value))
    return value


def parts_of(value: Any) -> dict[str, Any]:
    """The fields of a dataclass by name, as they are."""
    return {field.name: getattr(value, field.name) for field in dataclasses.fields(value)}


def figures(args: argparse.Namespace, answer: dict[str, Any], lines: Iterable[str]) -> None:
    """Print ``answer`` as JSON when asked for, else ``lines``; no name in one begins another."""
    if args.json:
        text = json.dumps(plain(answer), allow_nan=False) + "\n"
    else:
        unicode = shows_unicode(sys.stdout)
        text = "".join(clean(line, unicode) + "\n" for line in lines)
    sys.stdout.write(text)
    sys.stdout.flush()


def harmless(text: str, stream: TextIO) -> str:
    """Each line of ``text`` without anything that could steer the terminal behind ``stream``."""
    unicode = shows_unicode(stream)
    return "\n".join(clean(line, unicode) for line in text.split("\n"))


def message(text: str) -> None:
    """One line on standard error."""
    sys.stderr.write(harmless(text, sys.stderr) + "\n")
    sys.stderr.flush()


def angle(btdc_deg: float | None, places: int = 2) -> str:
    """``36.20° BTDC``, ``4.00° ATDC``, or a dash when not known."""
    return "-" if btdc_deg is None else stated.btdc(btdc_deg, decimals=places)
