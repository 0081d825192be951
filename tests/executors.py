"""Executors that do each job in this process, at once."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor, Future
from pathlib import Path
from typing import Any


class AtOnce(Executor):
    """The smallest executor there is: a job is done when it is handed in."""

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """Do it."""
        done: Future[Any] = Future()
        try:
            done.set_result(fn(*args, **kwargs))
        except Exception as error:
            done.set_exception(error)
        return done


class Counting(AtOnce):
    """Remembers what was asked for."""

    def __init__(self) -> None:
        self.jobs: list[str] = []
        self.files: list[str] = []

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """Do it, and note the job and its file."""
        self.jobs.append(fn.__name__)
        self.files.append(Path(args[0]).name if args and isinstance(args[0], Path) else "")
        return super().submit(fn, *args, **kwargs)

    def scanned(self) -> list[str]:
        """The files that were measured."""
        return [file for job, file in zip(self.jobs, self.files, strict=True) if job == "scan_job"]
