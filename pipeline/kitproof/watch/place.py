"""A finished report put in place: whole, never over anything but an older report, which is kept.

Every step can be done again after a crash at any point, and ends the same: `DIR/<take>/` holds the newest report,
`DIR/<take>/earlier/<number>/` those before it.
"""

from __future__ import annotations

import os
from pathlib import Path

from kitproof.errors import TakeError
from kitproof.ingest.words import AUDIO_SUFFIXES
from kitproof.wholefile import whole_file

EARLIER = "earlier"
_OLD = "old"  # in the working folder: the report that is being replaced
_RESULTS = ("report.pdf", "measurements.json")


def refuse_place(target: Path) -> None:
    """Raise TakeError if what lies at `target` is anything but a report."""
    if not target.exists():
        return
    names = {p.name for p in target.iterdir()} if target.is_dir() else set()
    is_report = bool(names & {*_RESULTS, EARLIER}) or (target.is_dir() and not names)
    if not is_report or any(name.lower().endswith(AUDIO_SUFFIXES) for name in names):
        raise TakeError(f"{target}: is there already and is no report; move it away, or watch with another --to")


def put_in_place(new: Path, target: Path, work: Path) -> None:
    """Move the report folder `new`, within `work`, to `target`; a report that is there goes to its `earlier` folder.

    Raises
    ------
    OSError : a step failed; calling it again goes on from there
    """
    old = work / _OLD
    if new.exists():
        if target.exists():
            target.rename(old)
        new.rename(target)
        on_disk(target.parent)
    if old.exists():
        kept = target / EARLIER
        if (old / EARLIER).exists():
            (old / EARLIER).rename(kept)
        kept.mkdir(exist_ok=True)
        if any(old.iterdir()):
            number = 1 + max((int(p.name) for p in kept.iterdir() if p.name.isdecimal()), default=0)
            old.rename(kept / str(number))
        else:
            old.rmdir()
        on_disk(kept)


def failure_note(out: Path, take: str) -> Path:
    """Where the note about a take without a report lies."""
    return out / f"{take}-failed.txt"


def write_failure(out: Path, take: str, said: str) -> None:
    """Say beside the reports why a take has none."""
    text = (
        f"{take}: no report\n\nWhat happened: {said}\n\n"
        "What to do: put the take's files right, or export them again. It is tried again as soon as one of\n"
        "them changes. Nothing was changed in the take itself.\n"
    )
    with whole_file(failure_note(out, take)) as file:
        file.write(text.encode("utf-8", "backslashreplace"))


def on_disk(folder: Path) -> None:
    """Have the system write down which names a folder holds, as a power cut must not take one back.

    What is in the files is on the disk already (`whole_file`). Not every system can do it for a folder.
    """
    if not hasattr(os, "O_DIRECTORY"):
        return
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
