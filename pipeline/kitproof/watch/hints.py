"""What the system tells of changes in a folder. A hint only says: look now. Missing all of them costs time, no take."""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Self

from watchdog.events import FileSystemEvent, FileSystemEventHandler
from watchdog.observers import Observer
from watchdog.observers.api import BaseObserver

# Opening and closing a file for reading is what the look itself does.
_CHANGES = ("created", "modified", "moved", "deleted", "closed", "attrib")
# file systems of other machines, as the kernel calls them: it does not hear of what others write there
_NETWORK = ("nfs", "nfs4", "cifs", "smb3", "smbfs", "9p", "afs", "ceph", "davfs", "fuse.sshfs", "fuse.rclone", "vboxsf")

_SLICE_S = 0.2
_GATHER_S = 0.5  # changes come by the hundred while a take is written; one look is enough for them


class Hints(FileSystemEventHandler):
    """Waits for changes below a folder; a context manager.

    `are_native` says whether the system tells of changes at all; if not, the folder has to be looked at often.
    """

    def __init__(self, folder: Path, *, poll: bool) -> None:
        self._folder = folder
        self._changed = threading.Event()
        self._observer: BaseObserver | None = None
        self._poll = poll or is_on_network(folder)

    @property
    def are_native(self) -> bool:
        """True if the system tells of changes."""
        return self._observer is not None

    def __enter__(self) -> Self:
        if not self._poll:
            observer = Observer()
            with contextlib.suppress(OSError):  # too many folders for the system, say
                observer.schedule(self, str(self._folder), recursive=True)
                observer.start()
                self._observer = observer
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._observer is not None:
            self._observer.stop()
            self._observer.join(5.0)

    def on_any_event(self, event: FileSystemEvent) -> None:
        """Note a change."""
        if event.event_type in _CHANGES:
            self._changed.set()

    def wait(self, timeout_s: float, is_stopping: Callable[[], bool]) -> None:
        """Wait until something changes or `is_stopping` says so, at most so long.

        In slices: a signal's handler runs between them, and must not touch the lock that the wait itself needs.
        """
        end_s = time.monotonic() + timeout_s
        while not is_stopping() and (left_s := end_s - time.monotonic()) > 0:
            if self._changed.wait(min(left_s, _SLICE_S)):
                time.sleep(min(left_s, _GATHER_S))
                break
        self._changed.clear()


def is_on_network(folder: Path) -> bool:
    """True if a folder lies on another machine, as far as the system tells (Linux does)."""
    best, kind = -1, ""
    with contextlib.suppress(OSError):
        place = folder.resolve()
        for line in Path("/proc/self/mounts").read_text("utf-8", "replace").splitlines():
            fields = line.split()
            mount = Path(fields[1].replace("\\040", " "))
            if (place == mount or mount in place.parents) and len(mount.parts) >= best:
                best, kind = len(mount.parts), fields[2]
    return kind in _NETWORK
