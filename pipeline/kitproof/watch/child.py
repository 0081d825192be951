"""One take measured in a process of its own: started, waited for, ended."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Literal

from kitproof.watch.folders import Bundle
from kitproof.watch.measurer import ANSWER_NAME
from kitproof.wholefile import whole_file

ORDER_NAME = "order.json"
ERRORS_NAME = "errors.txt"
_LOOK_EVERY_S = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Making:
    """How reports are to be made."""

    workers: int | None = None
    page: str = "a4"
    small: bool = False
    language: str = "en"
    is_remembered: bool = True  # what was measured before is not measured again


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What came of measuring a take."""

    kind: Literal["measured", "failed", "unwritable", "stopped"]
    said: str = ""
    verdict: str = ""
    red_lines: tuple[str, ...] = ()
    troubles: tuple[str, ...] = ()
    problems: tuple[str, ...] = ()  # files that could not be read
    status: int = 0
    content: str | None = None


def measure_in_child(bundle: Bundle, work: Path, making: Making, is_stopping: Callable[[], bool]) -> Outcome:
    """Measure a take into `work`, a folder that is there and empty. Ends the process early if `is_stopping` says so.

    Raises
    ------
    OSError, OutputError : `work` cannot be written to, or no process can be started
    """
    order = {
        "take": bundle.name, "folder": str(bundle.folder.absolute()), "is_folder": bundle.is_folder,
        "names": [f.name for f in bundle.files], **asdict(making),
    }  # fmt: skip
    with whole_file(work / ORDER_NAME) as file:
        file.write(json.dumps(order).encode())
    command = [sys.executable, "-m", "kitproof.watch.measurer", str(work / ORDER_NAME)]
    with (
        (work / ERRORS_NAME).open("wb") as errors,
        subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=errors, stderr=errors, start_new_session=True
        ) as process,
    ):
        try:
            while process.poll() is None and not is_stopping():
                with contextlib.suppress(subprocess.TimeoutExpired):
                    process.wait(_LOOK_EVERY_S)
        finally:
            _end_all(process)
    return _answer(work, process.returncode, stopped=is_stopping())


def _end_all(process: subprocess.Popen[bytes]) -> None:
    """End the process and whatever it started, which a process that died cannot have done itself."""
    if hasattr(os, "killpg"):
        with contextlib.suppress(ProcessLookupError, PermissionError):
            os.killpg(process.pid, signal.SIGKILL)
    process.kill()
    process.wait()


def _answer(work: Path, returncode: int, *, stopped: bool) -> Outcome:
    try:
        answer: dict[str, Any] = json.loads((work / ANSWER_NAME).read_text("utf-8"))
    except FileNotFoundError:
        if stopped:
            return Outcome(kind="stopped")
        return Outcome(kind="failed", said=_how_it_died(work, returncode))
    values: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in answer.items()}
    return Outcome(**values)


def _how_it_died(work: Path, returncode: int) -> str:
    last = (work / ERRORS_NAME).read_text("utf-8", "replace").strip().splitlines()[-1:]
    how = f"was ended by signal {-returncode}" if returncode < 0 else f"ended with status {returncode}"
    hint = " (too little memory is the usual reason)" if returncode == -9 else ""
    return f"the process that measured it {how}{hint}" + (f": {last[0]}" if last else "")
