"""What all tests share."""

from __future__ import annotations

import os
import signal

import pytest
from hypothesis import HealthCheck, settings

# The circuit's matrices are small: threads in the linear algebra cost more than they bring, above
# all with one test process a core. Before anything imports NumPy.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# A busy machine is no failure: no example has to end within a time.
settings.register_profile("coilwright", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("coilwright")

# A test run in the background of a script is started with Ctrl-C ignored, and every process it
# starts would inherit that: the tests that send Ctrl-C would wait in vain.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)


LONGEST = (
    "test_in_tune_with_lost_bytes.py",
    "test_in_tune_on_the_line.py",
    "test_command_blocks.py",
    "test_in_tune.py",
    "test_in_frequency_sweep.py",
    "test_in_ramping.py",
    "test_in_duty_sweep.py",
)
"""Files that take more than a minute: begun last, one of them would run on alone."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with the longest files, and give tests of a bench another chance.

    A bench runs against the clock, and the machine may be busy. Each further try is told as
    `RERUN` in the summary; whatever fails three times fails.
    """
    items.sort(key=lambda item: item.path.name not in LONGEST)
    for item in items:
        if item.get_closest_marker("micropython"):
            item.add_marker(pytest.mark.flaky(reruns=2))


def pytest_xdist_auto_num_workers() -> int:
    """Twice as many as cores: the longest tests mostly wait for a bench at its own pace."""
    return 2 * (os.cpu_count() or 1)
