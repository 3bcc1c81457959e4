"""Fixtures that every test may use."""

from __future__ import annotations

import os
import signal
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

# Before numpy comes in: the filter's matrices are small, and threads for them only wait for each other.
for _variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_variable, "1")

# Where no compiled Python is kept, every worker and each of some hundred processes compiles all of it anew.
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

# The tools beside this file are plain modules for every test.
TESTS = Path(__file__).parent
sys.path.insert(0, str(TESTS))

import pytest  # noqa: E402
import structlog  # noqa: E402
from hypothesis import HealthCheck, settings  # noqa: E402

from shared_data import shared  # noqa: E402

# A busy computer is no defect of what is tested; the suite has a time limit of its own. The same inputs every
# time, so that a change is judged by what it changes; `--hypothesis-profile=search` looks for new ones.
settings.register_profile("search", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("tipdatum", settings.get_profile("search"), derandomize=True)
settings.load_profile("tipdatum")


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int:
    """One more than there are processors: a third of the suite waits for brokers, browsers and lines."""
    return (os.cpu_count() or 1) + 1


LONG = ("against_published", "harness", "unit/calibration", "unit/fusion", "unit/simulator")
"""Folders of modules that take longest: solving, simulating, real processes that are waited for."""


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Long modules first, then those of many tests: none is begun last that all other workers wait for."""
    tests = Counter(item.path for item in items)
    slow = {item.path for item in items if item.get_closest_marker("slow")}

    def place(item: pytest.Item) -> tuple[int, int]:
        if item.path in slow:
            return (0, 0)
        room = item.path.parent.relative_to(TESTS).as_posix()
        return (1, 0) if room.startswith(LONG) else (2, -tests[item.path])

    items.sort(key=place)


def pytest_configure() -> None:
    """A shell that runs the suite in the background leaves Ctrl-C ignored; every process inherits that."""
    if signal.getsignal(signal.SIGINT) == signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.fixture(scope="session")
def shared_data() -> Callable[..., Path]:
    """`shared_data("physics_public", "day")`: a path, or the test is skipped saying why."""
    return shared


@pytest.fixture(autouse=True)
def plain_logs() -> Iterator[None]:
    """What one test set up for its log, such as a stream that is closed with it, is not left to the next."""
    yield
    structlog.reset_defaults()
