"""What holds for all tests: virtual time where a test is marked so, one thread a process, and patience."""

import asyncio
import os
from collections.abc import Callable, Mapping

import pytest
from hypothesis import HealthCheck, settings

from benchd.live.virtual_time import VirtualTimeLoop

# The matrices here are small: more threads only wait for each other, and for the processors that other tests use. An
# evaluation's own process does the same.
for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS", "BLIS_NUM_THREADS"):
    os.environ.setdefault(name, "1")  # before a test imports numpy, which reads them once

os.environ.pop("COLUMNS", None)  # what is printed must not hang on the terminal of whoever tests
settings.register_profile("unhurried", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("unhurried")  # a busy machine is no defect


def pytest_asyncio_loop_factories(
    config: pytest.Config, item: pytest.Item
) -> Mapping[str, Callable[[], asyncio.AbstractEventLoop]]:
    """A test marked `virtual_time` runs on the virtual loop."""
    if item.get_closest_marker("virtual_time") is not None:
        return {"virtual": VirtualTimeLoop}
    return {"real": asyncio.new_event_loop}
