"""A take is measured: from memory where it is known, else in the stages of `stages.py`."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from pathlib import Path
from typing import ParamSpec, TypeVar

from threadpoolctl import threadpool_limits

from kitproof.cache import Cache, Memory, open_cache
from kitproof.find import Thresholds
from kitproof.ingest.take import read_take
from kitproof.model import Progress, Result
from kitproof.versions import versions

__all__ = [
    "Cache", "Progress", "Result", "default_executor", "limits_text", "measure_take", "one_thread", "open_cache",
    "versions",
]  # fmt: skip

P = ParamSpec("P")
T = TypeVar("T")


class Workers(ProcessPoolExecutor):
    """Processes that start as copies of this one, where the system allows it."""

    def submit(self, fn: Callable[P, T], /, *args: P.args, **kwargs: P.kwargs) -> Future[T]:
        """As ever; but what jobs need is loaded before the first copy is made, not in every copy by itself."""
        import kitproof.stages  # noqa: F401

        return super().submit(fn, *args, **kwargs)


def default_executor(n_workers: int | None = None) -> Executor:
    """Processes on this machine, one a processor, each with a single thread."""
    return Workers(n_workers or os.cpu_count() or 1, initializer=one_thread)


def one_thread() -> None:
    """Keep the numeric libraries of this process to one thread: the channels are what runs in parallel."""
    import kitproof.stages  # noqa: F401  # a library that is loaded after this would not be held to it

    threadpool_limits(limits=1)


def measure_take(
    folder: Path,
    executor: Executor,
    *,
    progress: Progress | None = None,
    strict: bool = False,
    cache: Cache | None = None,
    place: Path | None = None,
) -> Result:
    """Measure one take folder.

    place : where the take lies, if `folder` only holds links to its files
    cache : where results are kept by content; what is there already is not measured again

    Raises
    ------
    TakeError : there is no take in the folder, or no channel of it can be read
    """
    take = read_take(folder, place=place)
    memory = None if cache is None else Memory.of(cache, take, executor, versions())
    if memory is not None and (known := memory.whole()) is not None:
        return Result(measurements=known[0], pictures=known[1])
    # Here and not above: the libraries for signals take longer to load than a known take to be looked up.
    from kitproof import stages

    one_thread()
    tell = progress or (lambda stage, done, total: None)
    result = stages.measure(take, executor, tell, strict=strict, memory=memory)
    if memory is not None and not result.troubles:
        memory.keep_whole(result.measurements, result.pictures)
    return result


def limits_text() -> str:
    """All limits as a TOML file to start from."""
    return Thresholds().as_toml()
