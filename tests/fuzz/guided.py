"""A long run by hand, led by what code the cases reach:

    pip install atheris
    python tests/fuzz/guided.py certificate --seconds 300

The cases are those of the tests; the coverage of the code chooses among them (libFuzzer). Every
crash is told once, by where it came from, and its input kept in ``--keep``; at the end stand cases,
seconds, crashes, the slowest case in seconds of processor, and the most memory. ``slowest.txt`` is
that case, ``largest.txt`` the one by which memory grew most. A case of a minute ends the run; so
does ``MOST_MB``, for to trace a case takes a megabyte for good, were it the same case each time.
"""

from __future__ import annotations

import argparse
import faulthandler
import os
import random
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
MOST_MB = 3000.0
READERS = ("lines", "capture", "pins", "engine_file", "certificate", "reference", "sheets")


class Run:
    """The cases of one reader, counted."""

    def __init__(self, read: Callable[[Any], None], seconds: float, keep: Path) -> None:
        self._read = read
        self._seconds = seconds
        self._keep = keep
        self._began_s = time.monotonic()
        self._cases = 0
        self._slowest_s, self._slowest = 0.0, ""
        self._largest_mb, self._largest = 0.0, ""
        self._crashes: Counter[str] = Counter()

    def case(self, given: Any) -> None:
        """Try one; never raises."""
        if time.monotonic() - self._began_s > self._seconds or most_mb() > MOST_MB:
            self._end()
        began_s, held_mb = time.process_time(), most_mb()
        faulthandler.dump_traceback_later(60, exit=True)
        try:
            self._read(given)
        except Exception as error:
            self._crashed(error, given)
        lasted_s = time.process_time() - began_s
        self._cases += 1
        if lasted_s > self._slowest_s:
            self._slowest_s, self._slowest = lasted_s, repr(given)
        grew_mb = most_mb() - held_mb
        if grew_mb > self._largest_mb:
            self._largest_mb, self._largest = grew_mb, repr(given)

    def _crashed(self, error: Exception, given: Any) -> None:
        frames = traceback.extract_tb(error.__traceback__)
        own = [frame for frame in frames if f"{os.sep}rig{os.sep}" in frame.filename] or frames
        place = f"{type(error).__name__} {Path(own[-1].filename).name}:{own[-1].lineno}"
        if not self._crashes[place]:
            path = self._keep / (place.replace(" ", "-").replace(":", "-") + ".txt")
            told = "".join(traceback.format_exception(error))
            path.write_text(f"{given!r}\n\n{told}", "utf-8", "backslashreplace")
            print(f"crash: {place}: {str(error)[:200]!r}; kept in {path}", flush=True)
        self._crashes[place] += 1

    def _end(self) -> None:
        for name, case in (("slowest", self._slowest), ("largest", self._largest)):
            (self._keep / f"{name}.txt").write_text(case, "utf-8", "backslashreplace")
        print(
            f"{self._cases} cases in {time.monotonic() - self._began_s:.0f} s,"
            f" {time.process_time():.0f} s of processor; crashes {dict(self._crashes)};"
            f" slowest {self._slowest_s:.2f} s; most memory {most_mb():.0f} MB,"
            f" {self._largest_mb:.0f} MB of it in one case",
            flush=True,
        )
        os._exit(bool(self._crashes))


def most_mb() -> float:
    """The most memory that this process has held so far (MB)."""
    import resource  # POSIX systems alone, as atheris

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def target(name: str, home: Path) -> tuple[Any, Callable[[Any], None]]:
    """The strategy of a reader's cases, and what is done with one."""
    tests = import_module(f"test_fuzz_{name}")
    strategy, read = tests.guided(home)
    return strategy, read


def main() -> None:
    """Run one reader's cases until the time is over."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("reader", choices=READERS)
    parser.add_argument("--seconds", type=float, default=300.0)
    parser.add_argument("--keep", type=Path, default=Path(tempfile.gettempdir()))
    args = parser.parse_args()
    os.environ["FUZZ_GUIDED"] = "1"
    sys.path[:0] = [str(HERE), str(HERE.parent / "support")]
    from hypothesis import given

    atheris: Any = import_module("atheris")  # no part of what the checks need

    with atheris.instrument_imports(include=["rig"]):
        strategy, read = target(args.reader, Path(tempfile.mkdtemp()))
        args.keep.mkdir(parents=True, exist_ok=True)
        run = Run(read, args.seconds, args.keep)
    tries: Any = given(strategy)
    test = tries(run.case)
    corpus = Path(tempfile.mkdtemp())  # cases long enough to make something of
    chance = random.Random(1)
    for number in range(100):
        (corpus / str(number)).write_bytes(chance.randbytes(chance.choice((300, 1000, 4000))))
    options = ["-rss_limit_mb=6000", "-len_control=0", "-max_len=8000", "-verbosity=0"]
    atheris.Setup([sys.argv[0], *options, str(corpus)], test.hypothesis.fuzz_one_input)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
