"""Limits that a user sets in place of the common ones: for themselves, for a room, for one take.

Three places, the later one winning:

1. kitproof/limits.toml in the user's settings folder ($XDG_CONFIG_HOME, else ~/.config)
2. kitproof-limits.toml in a folder above the take: a room's or a project's, the nearest one winning
3. the table [limits] in the take's take.toml

A file is a flat table, `hot_dbfs = -6.0`; the names are those of `kitproof limits`. What they mean is not known
here: who judges says which names there are.
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from kitproof.errors import TakeError

ROOM_FILE = "kitproof-limits.toml"
USER_FILE = Path("kitproof", "limits.toml")
FOLDERS_ABOVE = 4  # a take lies in a song's folder, that in a project's, and so on: no further


def read_limits(take_folder: Path, environment: Mapping[str, str] | None = None) -> dict[str, dict[str, Any]]:
    """Where a limit is set -> name -> value, the later entry winning; without the take's own.

    Raises
    ------
    TakeError : one of the files cannot be opened, or is no TOML: half of it might be missing unnoticed
    """
    return {str(path): _read(path) for path in _places(take_folder, environment or os.environ) if path.is_file()}


def _places(take_folder: Path, environment: Mapping[str, str]) -> Iterator[Path]:
    home = environment.get("XDG_CONFIG_HOME") or (
        Path(environment["HOME"]) / ".config" if "HOME" in environment else ""
    )
    if home:
        yield Path(home) / USER_FILE
    for folder in reversed(take_folder.resolve().parents[:FOLDERS_ABOVE]):
        yield folder / ROOM_FILE


def _read(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except OSError as error:
        raise TakeError(f"{path}: cannot be opened ({error.strerror or error}); check that it may be read") from error
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise TakeError(f"{path}: no valid TOML, {error}; mend that line, or move the file away") from error


def plain_values(values: Mapping[str, Any]) -> dict[str, float | str | bool]:
    """Values as they can be saved; what is no number, text or truth value (a date, a table) becomes its text."""
    return {name: v if isinstance(v, float | int | str) else str(v) for name, v in values.items()}
