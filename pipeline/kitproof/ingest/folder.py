"""What lies in a take folder: audio files, take.toml, other things."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from kitproof.errors import TakeError
from kitproof.ingest.words import AUDIO_SUFFIXES, fold
from kitproof.remarks import NAME_UNREADABLE, NOT_MEASURED, SHEET_NOT_READ, SUB_FOLDER_LEFT, SUB_FOLDER_READ

SHEET_NAME = "take.toml"
# audio that is not measured: lossy, or of a kind that recorders for drums do not write
OTHER_AUDIO = (".mp3", ".m4a", ".aac", ".ogg", ".opus", ".wma", ".caf", ".w64", ".mp4", ".sd2")
# sub-folders that hold results, not recordings
_RESULTS = ("report", "reports", "out", "output", "outputs", "results", "pictures", "kitproof")
_EXPECTED = "WAV, RF64, BW64, AIFF or FLAC"
_MOST_NAMES = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Listing:
    """The files of a take, in natural order."""

    audio: tuple[Path, ...]
    sheet: Path | None
    ignored: tuple[str, ...]
    remarks: tuple[str, ...]


def list_take(folder: Path) -> Listing:
    """List a take folder, or the one sub-folder that holds its audio.

    Hidden files are passed over. Raises TakeError if there is no such folder, it cannot be read,
    or it holds no audio.
    """
    if not folder.exists():
        raise TakeError(f"{folder}: there is no such folder; give the folder that holds one take")
    if not folder.is_dir():
        raise TakeError(f"{folder}: this is a file; give the folder that holds one take")
    files, folders = _entries(folder)
    with_audio = [sub for sub in folders if fold(sub.name) not in _RESULTS and any(map(_is_audio, _entries(sub)[0]))]
    remarks = []
    if not any(map(_is_audio, files)):
        if len(with_audio) != 1:
            raise TakeError(_no_audio(folder, files, with_audio))
        remarks.append(SUB_FOLDER_READ.format(folder=folder.name, sub=with_audio[0].name))
        files += _entries(with_audio[0])[0]
    elif with_audio:
        remarks.append(SUB_FOLDER_LEFT.format(folders=_some(p.name for p in with_audio)))
    sheets = [p for p in files if fold(p.name) == SHEET_NAME]
    sheets.sort(key=lambda p: (p.parent != folder, p.name != SHEET_NAME))
    others = [p for p in files if not _is_audio(p) and p not in sheets]
    return Listing(
        audio=tuple(sorted(filter(_is_audio, files), key=_natural)),
        sheet=sheets[0] if sheets else None,
        ignored=tuple(p.relative_to(folder).as_posix() for p in sorted(others, key=_natural)),
        remarks=(*remarks, *_remarks_on(others)),
    )


def _entries(folder: Path) -> tuple[list[Path], list[Path]]:
    """(files, folders), without hidden ones; a broken link counts as a file."""
    try:
        entries = [p for p in folder.iterdir() if not p.name.startswith(".")]
    except OSError as error:
        raise TakeError(f"{folder}: cannot be read ({error.strerror or error}); check that it may be") from error
    return [p for p in entries if not p.is_dir()], [p for p in entries if p.is_dir()]


def _is_audio(path: Path) -> bool:
    return path.suffix.lower() in AUDIO_SUFFIXES and _is_text(path.name)


def _is_text(name: str) -> bool:
    """False for a name in an encoding that the system cannot read; no report could print it."""
    return name.isprintable()


def _natural(path: Path) -> tuple[list[tuple[int, str]], str]:
    """Sort key: "Tom 2" before "Tom 10", capitals as small letters."""
    parts = re.split(r"(\d+)", fold(path.name))
    return [(int(p), "") if p.isdecimal() else (0, p) for p in parts], path.name


def _remarks_on(others: Iterable[Path]) -> list[str]:
    said = []
    for path in sorted(others, key=_natural):
        if not _is_text(path.name):
            said.append(NAME_UNREADABLE.format(file=repr(path.name)))
        elif path.suffix.lower() in OTHER_AUDIO:
            said.append(NOT_MEASURED.format(file=path.name))
        elif fold(path.name).startswith(SHEET_NAME):
            said.append(SHEET_NOT_READ.format(file=path.name))
    return said


def _no_audio(folder: Path, files: list[Path], with_audio: list[Path]) -> str:
    if with_audio:
        return f"{folder}: audio lies in its sub-folders {_some(p.name for p in with_audio)}; give one of them"
    found = f"found {_some(p.name for p in files)}" if files else "it is empty"
    return f"{folder}: no audio file ({_EXPECTED}) in it, {found}; give the folder that holds one take"


def _some(names: Iterable[str]) -> str:
    """The first names, and how many more there are."""
    ordered = sorted(names)
    more = len(ordered) - _MOST_NAMES
    return ", ".join(ordered[:_MOST_NAMES]) + (f" and {more} more" if more > 0 else "")
