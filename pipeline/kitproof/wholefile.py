"""Files that are whole or not there at all: the one way in which the package writes them."""

from __future__ import annotations

import contextlib
import os
import secrets
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from kitproof.errors import OutputError


@contextlib.contextmanager
def whole_file(path: Path) -> Iterator[BinaryIO]:
    """A file to write into, which stands at `path` only once everything is on the disk.

    Until then an older file of that name stays as it was; after a failure nothing is left over.
    A link is followed, so that it still points at the new file.

    Raises
    ------
    OutputError : the folder is missing or may not be written to, the disk is full, or `path` is
        something other than a file. Any other error inside the block goes on as it is.

    Source
    ------
    Common practice: write beside, flush to disk, rename (POSIX rename() replaces in one step).
    """
    target = Path(os.path.realpath(path))
    part = target.with_name(f".kitproof-{os.getpid()}-{secrets.token_hex(4)}.part")
    try:
        if target.exists() and not target.is_file():
            raise OutputError(f"{path}: is there already and is not a file; choose another name")
        with part.open("xb") as handle:
            yield handle
            handle.flush()
            os.fsync(handle.fileno())
        part.replace(target)
    except OSError as error:
        reason = error.strerror or str(error)
        raise OutputError(f"{path}: cannot be written ({reason}); make room or choose another folder") from error
    finally:
        with contextlib.suppress(OSError):  # after success it has moved; without its folder it never was
            part.unlink()
