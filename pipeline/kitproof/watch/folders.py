"""What lies in a watched folder, at one look: the takes, their files, and what is still on its way.

A take is a sub-folder with audio in it, or the audio files of the watched folder itself whose names begin
with the same take ("Tidewall take 3 kick.wav", "Tidewall take 3 snare.wav"). Only directory entries are
read here, no contents.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import stat
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from kitproof.errors import TakeError
from kitproof.ingest.folder import OTHER_AUDIO, SHEET_NAME
from kitproof.ingest.words import AUDIO_SUFFIXES, fold

ANY_AUDIO = (*AUDIO_SUFFIXES, *OTHER_AUDIO)
# what programs call a file that they have not finished
_TEMPORARY_SUFFIXES = (".part", ".partial", ".tmp", ".temp", ".crdownload", ".download", ".filepart", ".!ut")
# The take's name at the start of a file's name. "T1" alone is a tom, so the word has to be there; and what
# stands in front of nothing is no prefix: "kick take 3.wav" is a mic first and a take second.
_PREFIX = re.compile(r"^(?P<take>.*?(?<![^\W\d_])(?:take|tk)[\s_#.-]*\d{1,3})(?=[\s_.-]+\S)", re.IGNORECASE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One file as its directory tells of it."""

    name: str  # relative to the take, with "/"
    size_bytes: int
    mtime_ns: int
    ctime_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Bundle:
    """One take as it lies there now. `files` are its audio and take.toml; `temporary` has not got its name yet."""

    name: str
    folder: Path
    is_folder: bool  # False: some of the watched folder's own files
    files: tuple[Entry, ...]
    temporary: tuple[Entry, ...] = ()

    @property
    def fingerprint(self) -> str:
        """SHA-256 over the names, sizes and times of the files: what a report is made of."""
        return _digest([(f.name, f.size_bytes, f.mtime_ns) for f in self.files])

    @property
    def witness(self) -> str:
        """The same with the times of change and the temporary files: what must stay still while it is measured."""
        return _digest([(f.name, f.size_bytes, f.mtime_ns, f.ctime_ns) for f in (*self.files, *self.temporary)])

    @property
    def listing(self) -> str:
        """Names and sizes alone: the same after a copy that changed nothing but the times."""
        return _digest([(f.name, f.size_bytes) for f in self.files])


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """The takes of a watched folder in the order of their names, and what the user should know about the rest."""

    bundles: tuple[Bundle, ...]
    remarks: tuple[str, ...] = ()


def look(folder: Path) -> Look:
    """Look at a watched folder once.

    Raises
    ------
    TakeError : the folder is not there or cannot be read
    """
    try:
        entries = sorted(os.scandir(folder), key=lambda e: e.name)
    except OSError as error:
        raise TakeError(f"{folder}: cannot be read ({error.strerror or error}); is it there?") from error
    bundles: dict[str, Bundle] = {}
    remarks: list[str] = []
    for entry in entries:
        if _is_folder(entry) and not _is_temporary_folder(entry.name):
            try:
                bundle = look_at_folder(Path(entry.path))
            except OSError as error:
                remarks.append(f"{entry.name}: cannot be read ({error.strerror or error}); check that it may be")
                continue
            if bundle is not None:
                bundles[bundle.name] = bundle
    loose, strays = _loose(folder, [e for e in entries if not _is_folder(e)])
    for bundle in loose:
        if bundle.name in bundles:
            remarks.append(f"{bundle.name}: there is a folder of that name and files as well; only the folder is read")
        else:
            bundles[bundle.name] = bundle
    return Look(bundles=tuple(bundles[n] for n in sorted(bundles)), remarks=(*remarks, *strays))


def look_at_folder(folder: Path) -> Bundle | None:
    """The take in one sub-folder; None if no audio, finished or not, lies in it. OSError if it cannot be read."""
    files, temporary = _files(folder, "")
    if not any(map(_is_audio, files)):
        for sub in sorted(os.scandir(folder), key=lambda e: e.name):
            if _is_folder(sub) and not _is_temporary_folder(sub.name):
                more, still = _files(Path(sub.path), f"{sub.name}/")
                files, temporary = [*files, *more], [*temporary, *still]
    if not any(map(_is_audio, files)):
        return None
    return Bundle(name=folder.name, folder=folder, is_folder=True, files=tuple(files), temporary=tuple(temporary))


def look_again(bundle: Bundle) -> Bundle | None:
    """The same take as it lies there now; None if it is gone or cannot be read."""
    try:
        if bundle.is_folder:
            return look_at_folder(bundle.folder)
        found, _ = _loose(bundle.folder, [e for e in os.scandir(bundle.folder) if not _is_folder(e)])
    except OSError:
        return None
    return next((b for b in found if b.name == bundle.name), None)


def content_hash(sha256_by_file: Mapping[str, str | None]) -> str | None:
    """One hash over the contents of all files; None if one of them could not be read."""
    if not all(sha256_by_file.values()):
        return None
    return _digest(sorted(sha256_by_file.items()))


def _files(folder: Path, prefix: str) -> tuple[list[Entry], list[Entry]]:
    """(files that matter, those still under a temporary name) of one folder."""
    return _sort_out(sorted(os.scandir(folder), key=lambda e: e.name), prefix)


def _sort_out(entries: Iterable[os.DirEntry[str]], prefix: str = "") -> tuple[list[Entry], list[Entry]]:
    files: list[Entry] = []
    temporary: list[Entry] = []
    for entry in entries:
        kind = _kind(entry.name)
        if not kind:
            continue
        try:
            facts = entry.stat()
        except OSError:
            continue  # gone since, or a link to nothing
        if not stat.S_ISREG(facts.st_mode):
            continue
        seen = Entry(
            name=prefix + entry.name, size_bytes=facts.st_size, mtime_ns=facts.st_mtime_ns, ctime_ns=facts.st_ctime_ns
        )
        (files if kind == "file" else temporary).append(seen)
    return files, temporary


def _kind(name: str) -> str:
    """ "file", "temporary", or "" for what is nobody's business here: notes, pictures, a system's own hidden files."""
    lower = name.lower()
    speaks_of_audio = any(f"{suffix}." in f"{lower.rstrip('~')}." for suffix in ANY_AUDIO)
    if lower.startswith("._"):
        return ""  # what some systems put beside a file on a foreign disk
    if lower.endswith(_TEMPORARY_SUFFIXES):
        return "temporary"
    if speaks_of_audio and (lower.endswith("~") or lower.startswith(("~", "."))):
        return "temporary"
    return "file" if not lower.startswith(".") and (lower.endswith(ANY_AUDIO) or fold(name) == SHEET_NAME) else ""


def _is_audio(entry: Entry) -> bool:
    return entry.name.lower().endswith(ANY_AUDIO)


def _is_folder(entry: os.DirEntry[str]) -> bool:
    try:
        return entry.is_dir()
    except OSError:
        return False


def _is_temporary_folder(name: str) -> bool:
    return name.startswith((".", "~")) or name.endswith("~") or name.lower().endswith(_TEMPORARY_SUFFIXES)


def _loose(folder: Path, entries: list[os.DirEntry[str]]) -> tuple[list[Bundle], list[str]]:
    """Takes among the watched folder's own files, and a remark on audio that names no take."""
    groups: dict[str, tuple[str, list[os.DirEntry[str]]]] = {}
    strays = []
    for entry in sorted(entries, key=lambda e: e.name):
        match = _PREFIX.match(Path(entry.name.lstrip(".~")).stem)
        if match is not None and _kind(entry.name):
            groups.setdefault(match["take"].lower(), (match["take"], []))[1].append(entry)
        elif _kind(entry.name) == "file" and entry.name.lower().endswith(ANY_AUDIO):
            strays.append(entry.name)
    bundles = []
    for name, members in groups.values():
        files, temporary = _sort_out(members)
        if any(map(_is_audio, files)):
            bundles.append(
                Bundle(name=name, folder=folder, is_folder=False, files=tuple(files), temporary=tuple(temporary))
            )
    if not strays:
        return bundles, []
    more = f" and {len(strays) - 1} more" if len(strays) > 1 else ""
    return bundles, [
        f"{strays[0]}{more}: in the watched folder itself, and the name begins with no take; "
        "give every take a folder of its own"
    ]


def _digest(value: object) -> str:
    return hashlib.sha256(json.dumps(value).encode()).hexdigest()
