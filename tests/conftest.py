"""What all tests share: one thread per library, no window for plots, and the mark of the long tests."""

import os

import pytest

# Before numpy and matplotlib are imported: two test processes share two cores, and figures are drawn unseen.
for _threads in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS"):
    os.environ.setdefault(_threads, "1")
os.environ.setdefault("MPLBACKEND", "Agg")


def pytest_configure(config: pytest.Config) -> None:
    """Register the one mark there is; `make test` leaves such tests to `make test-all`."""
    config.addinivalue_line("markers", "slow: takes more than a few seconds; not part of `make test`")
