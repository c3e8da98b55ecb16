"""Settings of the whole test suite."""

import signal

from hypothesis import settings

# A deadline measures the machine, not the code; speed is held by the benchmarks.
settings.register_profile("steady", deadline=None)
settings.load_profile("steady")


def pytest_runtest_setup() -> None:
    """Python ignores SIGPIPE, so that a peer that hangs up is an error and not the end; one of the
    VCD libraries puts the system's default back when it is imported."""
    if hasattr(signal, "SIGPIPE"):
        signal.signal(signal.SIGPIPE, signal.SIG_IGN)
