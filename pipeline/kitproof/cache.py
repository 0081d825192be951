"""What was measured once is not measured again: results kept by the content they were measured from.

A key is a hash over all that a result depends on: the SHA-256 of the file, which channel of it, the sources of the
code that measures, the versions of the libraries; for a whole take the hashes of all its files and everything that was
read of the take (roles, take.toml, limits). A file's hash itself is remembered by its path, size, times and inode, so
that an unchanged file need not be read at all. Whatever is in doubt is measured:

- a file touched less than three seconds before it was hashed may change again without its times showing it, so its
  hash is not remembered;
- a file that changed while it was measured, a stage that failed, a source newer than this process: nothing is kept;
- an entry that does not carry its own checksum, or whose records have changed, is as good as absent.

An entry is written beside its place and renamed there, so that two processes at once do no harm: at worst both
measure. A folder that cannot be written costs time, never a result.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import secrets
import time
from collections.abc import Iterable, Iterator, Mapping
from concurrent.futures import Executor
from dataclasses import dataclass, field, replace
from functools import cache
from importlib import metadata
from pathlib import Path
from typing import Any

import soundfile as sf

from kitproof.caching import from_bytes, to_bytes
from kitproof.errors import StemError
from kitproof.ingest.audiofile import file_sha256
from kitproof.model import Channel, Measurements, Pictures, Take

LIMIT_BYTES = 4_000_000_000
SETTLED_S = 3.0  # above the coarsest clock of a file system in use (two seconds, FAT)
_LEFTOVER_S = 3600.0  # a part that nobody has finished by then was left by a process that died
_PART = ".part"
_STARTED_S = time.time()
_LOADING_S = 1.0  # what was loaded before this module was
# parts of the package that a channel's measures depend on
CHANNEL_CODE = (
    "cache", "caching", "errors", "ingest", "measure", "model", "observed", "reasons", "remarks", "roles", "scanning",
    "units", "wholefile",
)  # fmt: skip
# parts that a take's measures do not depend on; what is not named here counts, so that nobody has to think of it
APART = (
    "__main__", "cli", "commands", "compare", "comparison", "deliver", "demo", "gate", "mail", "pack", "plain",
    "report", "saved", "watch",
)  # fmt: skip
# parts that a drawn report depends on, and the libraries
REPORT_CODE = (
    "comparison", "errors", "model", "observed", "plain", "reasons", "remarks", "report", "roles", "saved", "units",
    "wholefile",
)  # fmt: skip
_DRAWN_BY = ("matplotlib", "matplotlib-fontja", "pillow", "reportlab")
_HERE = Path(__file__).parent
TAKE_CODE = tuple(
    sorted({p.stem for p in _HERE.iterdir() if p.suffix == ".py" or (p / "__init__.py").is_file()} - {*APART})
)


# ---------------------------------------------------------------- the folder
def default_folder(environment: Mapping[str, str] | None = None) -> Path | None:
    """Where results are kept: KITPROOF_CACHE ("off": nowhere), else kitproof in XDG_CACHE_HOME or ~/.cache."""
    found = os.environ if environment is None else environment
    if said := found.get("KITPROOF_CACHE"):
        return None if said == "off" else Path(said).expanduser()
    if base := found.get("XDG_CACHE_HOME"):
        return Path(base) / "kitproof"
    return Path(found["HOME"]) / ".cache" / "kitproof" if found.get("HOME") else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Cache:
    """A folder of results by key; nothing in it is ever needed."""

    folder: Path
    limit_bytes: int = LIMIT_BYTES

    def get(self, key: str) -> bytes | None:
        """What is kept under a key; None if there is nothing, or nothing whole."""
        path = self._path(key)
        try:
            content = path.read_bytes()
            os.utime(path)  # used just now: it goes last when room is made
        except OSError:
            return None
        checksum, payload = content[:32], content[32:]
        return payload if hashlib.sha256(payload).digest() == checksum else None

    def put(self, key: str, payload: bytes) -> None:
        """Keep it, whole or not at all; a folder that cannot be written, or is full, is passed over."""
        path = self._path(key)
        part = path.with_name(f"{secrets.token_hex(8)}{_PART}")
        with contextlib.suppress(OSError):
            self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)  # takes are nobody else's business
            path.parent.mkdir(mode=0o700, exist_ok=True)
            try:
                with part.open("xb") as handle:
                    handle.write(hashlib.sha256(payload).digest())
                    handle.write(payload)
                part.replace(path)
            finally:
                part.unlink(missing_ok=True)

    def trim(self) -> None:
        """Remove what was used longest ago until the folder is a tenth below its limit, if it is over it."""
        found = sorted(self._files())
        total = sum(size for _, size, _ in found)
        goal = 0.9 * self.limit_bytes if total > self.limit_bytes else total
        for used_s, size, path in found:
            left_over = path.suffix == _PART and used_s < time.time() - _LEFTOVER_S
            if total <= goal and not left_over:
                continue
            with contextlib.suppress(OSError):
                path.unlink()
                total -= size

    def _path(self, key: str) -> Path:
        return self.folder / key[:2] / key[2:]

    def _files(self) -> Iterator[tuple[float, int, Path]]:
        """(last use, bytes, path) of everything in the folder that was put there by this class."""
        for path in self.folder.glob("[0-9a-f][0-9a-f]/*"):
            with contextlib.suppress(OSError):
                facts = path.stat()
                yield facts.st_mtime, facts.st_size, path


def open_cache(folder: Path | None = None) -> Cache | None:
    """The cache of this user, or None where there is none or the code that runs is not known to be that on the disk."""
    place = default_folder() if folder is None else folder
    return None if place is None or _newest_source_s() > _STARTED_S - _LOADING_S else Cache(folder=place)


# ---------------------------------------------------------------- keys
def key_of(*parts: object) -> str:
    """One hash over everything that a result depends on."""
    return hashlib.sha256(to_bytes(parts)).hexdigest()


def report_key(m: Measurements, pictures: Pictures, look: Mapping[str, object]) -> str:
    """The key of a drawn report: all that is drawn, how, and by which code."""
    versions = {name: metadata.version(name) for name in _DRAWN_BY}
    return key_of("report", code_fingerprint(REPORT_CODE), versions, m, pictures, dict(look))


def _sources(parts: Iterable[str]) -> list[Path]:
    """Every file of these parts of the package but compiled ones."""
    found: list[Path] = []
    for part in parts:
        folder = _HERE / part
        inside = folder.rglob("*") if folder.is_dir() else [folder.with_suffix(".py")]
        found += [p for p in inside if p.suffix != ".pyc" and p.is_file()]
    return sorted(found)


@cache
def code_fingerprint(parts: tuple[str, ...]) -> str:
    """Hash over the sources of some parts of the package."""
    total = hashlib.sha256()
    for path in _sources(parts):
        total.update(f"{path.relative_to(_HERE).as_posix()}\0".encode())
        total.update(hashlib.sha256(path.read_bytes()).digest())
    return total.hexdigest()


@cache
def _newest_source_s() -> float:
    """When the code was last changed; infinite where its sources are not there to be looked at."""
    sources = _sources({*TAKE_CODE, *REPORT_CODE})
    names = {p.name for p in sources}
    if not {f"{part}.py" for part in ("scanning", "run", "model")} <= names:
        return float("inf")
    return max(p.stat().st_mtime for p in sources)


# ---------------------------------------------------------------- one take
Identity = tuple[int, ...]


@dataclass(slots=True, kw_only=True)
class Memory:
    """What is known of one take before it is measured; new results are kept through it."""

    cache: Cache
    take: Take
    versions: Mapping[str, str]
    sums: dict[str, str] = field(default_factory=dict)  # SHA-256 by path, of the files that hold still
    identities: dict[str, Identity] = field(default_factory=dict)

    @classmethod
    def of(cls, cache: Cache, take: Take, executor: Executor, versions: Mapping[str, str]) -> Memory:
        """Hash every file of the take, or remember its hash."""
        more = {"libsndfile": sf.__libsndfile_version__, "machine": os.uname().machine if hasattr(os, "uname") else ""}
        memory = cls(cache=cache, take=take, versions={**versions, **more})
        root = Path(take.folder)
        jobs = {}
        for f in take.files:
            identity = _identity(root / f.path)
            if identity is None:
                continue
            memory.identities[f.path] = identity
            known = memory._recall_sum(root / f.path, identity)
            if known is not None:
                memory.sums[f.path] = known
            else:
                jobs[f.path] = executor.submit(file_sha256, root / f.path)
        for path, job in jobs.items():
            with contextlib.suppress(StemError):
                found = job.result()
                if memory._holds_still(path):
                    memory.sums[path] = found
                    memory._keep_sum(path, found)
        return memory

    def channel(self, c: Channel, integer_bits: int | None) -> object | None:
        """What one pass over a channel gave the last time; None if that is not known."""
        key = self._channel_key(c, integer_bits)
        return None if key is None else self._load(key)

    def keep_channel(self, c: Channel, integer_bits: int | None, scanned: object) -> None:
        """Keep what one pass over a channel gave."""
        key = self._channel_key(c, integer_bits)
        if key is not None and self._holds_still(c.path):
            self._save(key, scanned)

    def whole(self) -> tuple[Measurements, Pictures] | None:
        """The whole take as measured the last time; None if that is not known."""
        key = self._take_key()
        found = None if key is None else self._load(key)
        match found:
            case (Measurements() as m, Pictures() as pictures):
                return replace(m, take=replace(m.take, folder=self.take.folder)), pictures
            case _:
                return None

    def keep_whole(self, m: Measurements, pictures: Pictures) -> None:
        """Keep a whole take, and make room if the folder has grown too large."""
        key = self._take_key()
        if key is not None and all(self._holds_still(f.path) for f in self.take.files):
            self._save(key, (m, pictures))
        self.cache.trim()

    def _channel_key(self, c: Channel, integer_bits: int | None) -> str | None:
        content = self.sums.get(c.path)
        if content is None:
            return None
        code = code_fingerprint(CHANNEL_CODE)
        # The file's names are in what is found: they say where samples are damaged.
        return key_of("channel", code, self.versions, content, c.path, c.file, c.index_in_file, integer_bits)

    def _take_key(self) -> str | None:
        """None unless every file is known. Where the take lies is no part of what it is."""
        if any(f.path not in self.sums for f in self.take.files):
            return None
        code = code_fingerprint(TAKE_CODE)
        return key_of("take", code, self.versions, sorted(self.sums.items()), replace(self.take, folder=""))

    def _load(self, key: str) -> Any:
        payload = self.cache.get(key)
        if payload is None:
            return None
        try:
            return from_bytes(payload)
        except ValueError:
            return None

    def _save(self, key: str, value: object) -> None:
        try:
            payload = to_bytes(value)
        except TypeError:  # a new kind of record that cannot be kept yet is measured every time
            return
        self.cache.put(key, payload)

    def _holds_still(self, path: str) -> bool:
        """Whether a file is still the one that was looked at first."""
        return path in self.identities and _identity(Path(self.take.folder) / path) == self.identities[path]

    def _recall_sum(self, path: Path, identity: Identity) -> str | None:
        payload = self.cache.get(_place_key(path))
        if payload is None:
            return None
        remembered = json.loads(payload)  # whole, as its checksum was right
        return str(remembered["sha256"]) if tuple(remembered["identity"]) == identity else None

    def _keep_sum(self, path: str, found: str) -> None:
        identity = self.identities[path]
        _, _, changed_ns, _, status_ns = identity
        if max(changed_ns, status_ns) / 1e9 < time.time() - SETTLED_S:
            payload = json.dumps({"identity": identity, "sha256": found}).encode()
            self.cache.put(_place_key(Path(self.take.folder) / path), payload)


def _place_key(path: Path) -> str:
    return key_of("sum", os.path.realpath(path))


def _identity(path: Path) -> Identity | None:
    """(device, size, modified, inode, status changed), times in ns; None if the file cannot be looked at."""
    try:
        facts = path.stat()
    except OSError:
        return None
    return facts.st_dev, facts.st_size, facts.st_mtime_ns, facts.st_ino, facts.st_ctime_ns
