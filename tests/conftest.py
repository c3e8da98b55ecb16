"""Settings of the whole test suite."""

import os
import signal
import sys
from pathlib import Path
from types import FunctionType

import pytest
from hypothesis import settings

# A deadline measures the machine, not the code; speed is held by the benchmarks. A landing tries
# the same cases each time, so that it tells of the change; at the desk they are new each time.
settings.register_profile("steady", deadline=None, derandomize="CI_NO_SKIPS" in os.environ)
settings.load_profile("steady")

# Some images switch compiled modules off: then each of hundreds of processes that tests begin would
# compile the program anew, and each run all tests.
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

# What is begun in the background ignores interrupts, and so would every program that tests begin.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)


LONG_TESTS = Path(__file__).with_name("long_tests.txt").read_text("ascii").splitlines()
"""Tests that take the better part of a second and are not of the main job, by measured times
(``--durations=200``): they count as slow. Without brackets: with every parameter."""


FAST, SLOW = "not slow and not bench", "slow"
BENCH = Path(__file__).with_name("bench")


def pytest_ignore_collect(collection_path: Path, config: pytest.Config) -> bool | None:
    """Modules without a test of the chosen marks are not imported, which takes longer than many
    tests: benchmarks, and of the slow ones those that nothing in them or in the list calls slow."""
    chosen = config.option.markexpr
    if chosen not in (FAST, SLOW):
        return None
    if collection_path == BENCH:
        return True
    if collection_path.suffix != ".py" or not collection_path.name.startswith("test_"):
        return None
    text = collection_path.read_text("utf-8")
    if chosen == FAST:
        return "\npytestmark = pytest.mark.slow\n" in text or None
    listed = collection_path.relative_to(config.rootpath).as_posix()
    return not ("slow" in text or any(name.startswith(listed) for name in LONG_TESTS)) or None


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark the long tests as slow."""
    names = frozenset(LONG_TESTS)
    for item in items:
        if item.nodeid in names or item.nodeid.partition("[")[0] in names:
            item.add_marker(pytest.mark.slow)


@pytest.fixture(autouse=True)
def _no_pause(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whether a capture grows is looked at without waiting: nobody else writes in a test's folder
    but a program that the test has begun, and that one is asked by a program of its own."""
    writer = sys.modules.get("rig.wire.capture")
    if writer is not None:
        monkeypatch.setattr(writer, "pause", lambda seconds: None)


def pytest_make_parametrize_id(val: object) -> str | None:
    """A function among parameters is named, not shown with its address: the names of tests have to
    be the same in every process."""
    return val.__name__ if isinstance(val, FunctionType) else None


def pytest_runtest_setup() -> None:
    """Python ignores SIGPIPE, so that a peer that hangs up is an error and not the end; one of the
    VCD libraries puts the system's default back when it is imported."""
    if hasattr(signal, "SIGPIPE"):
        signal.signal(signal.SIGPIPE, signal.SIG_IGN)


def pytest_sessionfinish(session: pytest.Session) -> None:
    """Where CI_NO_SKIPS is set, a skipped test is a failure: what a bare machine may leave out has
    to be run there."""
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    if os.environ.get("CI_NO_SKIPS") and reporter is not None and reporter.stats.get("skipped"):
        reporter.write_line("tests were skipped, and CI_NO_SKIPS is set", red=True)
        session.exitstatus = pytest.ExitCode.TESTS_FAILED
