"""What all tests share.

Properties are searched without a deadline, for a busy machine is no fault. The algebra library has one thread
in the process of the tests: a small fit gains nothing from more, and the workers of `pytest -n` would fight.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest
import scipy.linalg  # noqa: F401  (loads the library that is then held to one thread)
from hypothesis import settings
from threadpoolctl import threadpool_limits

settings.register_profile("busy machine", deadline=None)
settings.load_profile("busy machine")


@pytest.fixture(scope="session", autouse=True)
def _one_algebra_thread() -> Iterator[None]:
    with threadpool_limits(limits=1, user_api="blas"):
        yield
