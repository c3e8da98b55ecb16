"""Settings of the whole test suite."""

from hypothesis import settings

# A deadline measures the machine, not the code; speed is held by the benchmarks.
settings.register_profile("steady", deadline=None)
settings.load_profile("steady")
