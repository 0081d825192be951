"""What all tests share: one thread per library, no window for plots, and the mark of the long tests."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    import takes

# Before numpy and matplotlib are imported: two test processes share two cores, and figures are drawn unseen.
for _threads in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS"):
    os.environ.setdefault(_threads, "1")
os.environ.setdefault("MPLBACKEND", "Agg")
os.environ["KITPROOF_CACHE"] = "off"  # nothing is left in the tester's own folders, and every test measures


def pytest_configure(config: pytest.Config) -> None:
    """Register the one mark there is; `make test` leaves such tests to `make test-all`."""
    config.addinivalue_line("markers", "slow: takes more than a few seconds; not part of `make test`")


@pytest.fixture(scope="session")
def measured(tmp_path_factory: pytest.TempPathFactory) -> takes.MeasuredTake:
    """A short take of the modelled kit with the faults of the demo's first take, measured once for all tests."""
    import takes

    return takes.measured_take(tmp_path_factory.mktemp("measured"))
