"""The process that measures one take for a watch, so that a take that kills it kills nothing else.

    python -m kitproof.watch.measurer ORDER.json

ORDER.json says what to measure and where to write; the answer is written beside it. Standard input is the lifeline:
it never says anything, and ends when the watch does, however that dies. Then this process and all it started end too.
"""

from __future__ import annotations

import json
import multiprocessing
import os
import signal
import sys
import threading
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from kitproof import deliver, run
from kitproof.errors import KitproofError, OutputError, StemError
from kitproof.ingest.audiofile import file_sha256
from kitproof.ingest.folder import SHEET_NAME
from kitproof.ingest.words import fold
from kitproof.watch.folders import content_hash
from kitproof.watch.place import on_disk
from kitproof.wholefile import whole_file

ANSWER_NAME = "answer.json"
REPORT_FOLDER = "report"  # the finished report
_MAKING = "making"  # while it is made, it lies in a folder of the take's name in here
TAKE_FOLDER = "take"  # links to the files of a take that has no folder of its own


def main(order_path: Path) -> None:
    """Measure as ordered, and leave an answer."""
    threading.Thread(target=_die_with_the_watch, daemon=True).start()
    order = json.loads(order_path.read_text("utf-8"))
    answer = measure(order, order_path.parent)
    with whole_file(order_path.parent / ANSWER_NAME) as file:
        file.write(json.dumps(answer).encode())


def measure(order: Mapping[str, Any], work: Path) -> dict[str, Any]:
    """Measure one take and write its report into `work`/report; what came of it, as JSON can hold it."""
    try:
        folder = _take_folder(order, work)
        cache = run.open_cache() if order["is_remembered"] else None
        with run.default_executor(order["workers"]) as executor:
            result = run.measure_take(folder, executor, cache=cache, place=_place(order))
        m = result.measurements
        m = replace(m, take=replace(m.take, folder=order["folder"]))
        result = replace(result, measurements=m)
        look = {"page_size": order["page"], "small": order["small"], "language": order["language"]}
        files = deliver.write_all(result, work / _MAKING, cache=cache, **look)
        on_disk(files.pdf.parent)
        files.pdf.parent.rename(work / REPORT_FOLDER)
    except OutputError as error:
        return {"kind": "unwritable", "said": str(error)}
    except KitproofError as error:  # the links are gone when somebody reads this
        return {"kind": "failed", "said": str(error).replace(str(work / TAKE_FOLDER), order["folder"])}
    except Exception as error:
        return {"kind": "failed", "said": f"this should not happen: {type(error).__name__}: {error}"}
    return {
        "kind": "measured",
        "verdict": m.verdict.sentence,
        "red_lines": [f"{f.severity}: {f.message} {f.action}" for f in (m.findings[i] for i in m.verdict.red_lines)],
        "troubles": list(result.troubles),
        "problems": [f.path for f in m.take.files if f.problem == "unreadable"],
        "status": int(any(f.severity == "fix" for f in m.findings)),
        "content": content_of(folder, {f.path: f.sha256 for f in m.take.files}, order["names"]),
    }


def content_of(folder: Path, known: Mapping[str, str | None], names: list[str]) -> str | None:
    """The hash over all contents, from the sums that measuring made anyway; take.toml is read here."""
    sums = dict(known)
    try:
        for name in names:
            if name not in sums and fold(Path(name).name) == SHEET_NAME:
                sums[name] = file_sha256(folder / name)
    except StemError:
        return None
    return content_hash({name: sums.get(name) for name in names})


def _place(order: Mapping[str, Any]) -> Path:
    """Where the take lies, or would lie if it had a folder of its own."""
    folder = Path(order["folder"])
    return folder if order["is_folder"] else folder / str(order["take"])


def _take_folder(order: Mapping[str, Any], work: Path) -> Path:
    """The take's own folder, or one of links to its files."""
    folder = Path(order["folder"])
    if order["is_folder"]:
        return folder
    links = work / TAKE_FOLDER / str(order["take"])
    try:
        links.mkdir(parents=True)
        for name in order["names"]:
            (links / name).symlink_to((folder / name).resolve())
    except OSError as error:
        raise OutputError(
            f"{links}: no links to the files can be made there ({error.strerror or error}); "
            "give the take a folder of its own"
        ) from error
    return links


def _die_with_the_watch() -> None:
    while os.read(
        0, 1
    ):  # the bare descriptor: a lock of sys.stdin, held here, would be held for ever in forked workers
        pass
    if hasattr(os, "killpg") and os.getpgid(0) == os.getpid():
        os.killpg(0, signal.SIGKILL)  # the workers too
    for worker in multiprocessing.active_children():
        worker.kill()
    os._exit(1)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
