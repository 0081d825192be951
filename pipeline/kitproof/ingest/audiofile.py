"""Audio files: what they are, and their samples in blocks.

Conventions: samples are float64, shape (n_frames, n_channels), full scale 1.0; a frame is one
sample of every channel. Frames are counted from the start of the file. A file is never held whole.

What a damaged file gives: a truncated one is read as far as it goes; a stretch in the middle that
cannot be decoded, and samples that are no numbers (float files), are zero, so that everything after
them keeps its time; `SpanReader.damage` and the `on_damage` of `read_blocks` say so in a sentence.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np

from kitproof.errors import StemError
from kitproof.ingest.chunks import Header
from kitproof.ingest.headers import read_header
from kitproof.ingest.sources import DecodedSource, LinearSource
from kitproof.model import FileFacts, FloatArray

# Float files may stand far above full scale; 120 dB above it is no sound but a damaged number.
LARGEST_AMPLITUDE = 1e6


# ---------------------------------------------------------------- facts
def read_facts(path: Path, root: Path) -> FileFacts:
    """What the header of one audio file says; never raises for a bad file, but says so in `problem`.

    Parameters
    ----------
    path : the file
    root : the take folder, which the path in the result is relative to

    Returns
    -------
    FileFacts without sha256. For FLAC `n_frames` is what can be decoded, found by trying its last
    frame; one frame less than the truth if the file is truncated or does not say its length.
    """
    relative = path.relative_to(root).as_posix()
    size = 0
    try:
        size = path.stat().st_size
        if size == 0 and path.is_file():
            text = f"{path.name}: 0 bytes; the recording was never written, or copy it again from the recorder"
            return FileFacts(path=relative, size_bytes=0, sha256=None, problem="empty", problem_text=text)
        header = read_header(path)
        with SpanReader(path) as reader:
            n_frames, encoding = reader.n_frames, reader.encoding
    except (StemError, OSError) as error:
        text = _open_error_text(path, error)
        return FileFacts(path=relative, size_bytes=size, sha256=None, problem="unreadable", problem_text=text)
    facts = FileFacts(
        path=relative,
        size_bytes=size,
        sha256=None,
        container=header.container,
        encoding=encoding,
        bit_depth=header.bit_depth,
        rate_hz=header.rate_hz,
        n_channels=header.n_channels,
        n_frames=n_frames,
        declared_frames=header.declared_frames,
        time_reference_frames=header.time_reference_frames,
        description=header.description,
    )
    return _with_length_problem(facts, path.name, n_frames, header)


def with_damage(facts: FileFacts, damage: str | None) -> FileFacts:
    """The facts with what only reading the samples showed (`on_damage`); an earlier problem stays the first."""
    if damage is None:
        return facts
    text = damage if facts.problem_text is None else f"{facts.problem_text} {damage}"
    return replace(facts, problem=facts.problem or "damaged", problem_text=text)


def file_sha256(path: Path) -> str:
    """SHA-256 of a file, lower-case hexadecimal; StemError if it cannot be read."""
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise StemError(_open_error_text(path, error)) from error


def _open_error_text(path: Path, error: Exception) -> str:
    if isinstance(error, OSError):
        return f"{path.name}: cannot be opened ({error.strerror or error}); check that it is there and may be read"
    return str(error)


def _with_length_problem(facts: FileFacts, name: str, n_frames: int, header: Header) -> FileFacts:
    declared, rate = header.declared_frames, header.rate_hz
    if n_frames == 0:
        promised = f"its header promises {declared / rate:.2f} s" if declared else "its header promises none either"
        text = f"{name}: holds no audio ({promised}); copy it again from the recorder, or record it again"
        return replace(facts, problem="empty", problem_text=text)
    if declared is not None and n_frames < declared:
        text = (
            f"{name}: the file ends after {n_frames / rate:.2f} s, its header promises {declared / rate:.2f} s; "
            "copy it again from the recorder. It is measured as far as it goes."
        )
        return replace(facts, problem="truncated", problem_text=text)
    return facts


# ---------------------------------------------------------------- samples
def read_blocks(
    path: Path,
    *,
    block_frames: int = 1 << 18,
    start_frame: int = 0,
    n_frames: int | None = None,
    on_damage: Callable[[str], None] | None = None,
) -> Iterator[FloatArray]:
    """Yield the samples of a file in blocks, in order, without gaps.

    Parameters
    ----------
    block_frames : int > 0, frames per block; the last block may be shorter
    start_frame, n_frames : the stretch wanted, cut to what the file holds; all by default
    on_damage : called once, after the last block, with a sentence about samples that were set to zero

    Yields
    ------
    float64, shape (n, n_channels); nothing at all for a file without frames

    Raises
    ------
    StemError : the file cannot be read
    """
    with SpanReader(path) as reader:
        end = reader.n_frames if n_frames is None else min(reader.n_frames, start_frame + n_frames)
        for at in range(max(0, start_frame), end, block_frames):
            yield reader.read(at, min(block_frames, end - at))
        if on_damage is not None and reader.damage is not None:
            on_damage(reader.damage)


def read_span(path: Path, start_frame: int, n_frames: int) -> FloatArray:
    """Samples start_frame .. start_frame + n_frames, float64 (n_frames, n_channels), zero outside the file.

    For more than a few spans of one file `SpanReader` saves opening it each time.
    Raises StemError if the file cannot be read.
    """
    with SpanReader(path) as reader:
        return reader.read(start_frame, n_frames)


class SpanReader:
    """An open audio file to read spans from, quickest in increasing order; a context manager.

    Attributes: n_frames (really there), n_channels, rate_hz, encoding. Raises StemError on opening
    if the file cannot be read.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._n_not_finite = 0
        self._n_lost_frames = 0
        self._first_damage: int | None = None
        try:
            header = read_header(path)
            self._source: LinearSource | DecodedSource
            if header.layout is not None and header.n_frames is not None:
                self._source = LinearSource(path, header.layout, header.n_frames, header.n_channels)
            else:
                self._source = DecodedSource(path, header)
        except OSError as error:
            raise StemError(_open_error_text(path, error)) from error
        self.n_frames: int = self._source.n_frames
        self.n_channels: int = header.n_channels
        self.rate_hz: int = header.rate_hz
        self.encoding: str = header.encoding or self._source.encoding

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file; reading is over."""
        self._source.close()

    def read(self, start_frame: int, n_frames: int) -> FloatArray:
        """float64 (n_frames, n_channels), zero outside the file. `start_frame` may be negative."""
        first, last = max(0, start_frame), min(self.n_frames, start_frame + n_frames)
        if last <= first:
            return np.zeros((n_frames, self.n_channels))
        try:
            inside, lost = self._source.read(first, last - first)
        except OSError as error:
            raise StemError(_open_error_text(self.path, error)) from error
        self._note_damage(first, lost, inside)
        if len(inside) == n_frames:
            return inside
        out = np.zeros((n_frames, self.n_channels))
        out[first - start_frame : first - start_frame + len(inside)] = inside
        return out

    @property
    def damage(self) -> str | None:
        """What was set to zero in the spans read so far, as a sentence; None if nothing was."""
        if self._first_damage is None:
            return None
        found = []
        if self._n_lost_frames:
            found.append(f"{self._n_lost_frames / self.rate_hz:.3f} s cannot be decoded")
        if self._n_not_finite:
            found.append(f"{self._n_not_finite} samples are no usable numbers")
        return (
            f"{self.path.name}: {' and '.join(found)}, the first at {self._first_damage / self.rate_hz:.3f} s; "
            "they are taken as silence. Copy or export the file again."
        )

    def _note_damage(self, first: int, lost: list[tuple[int, int]], samples: FloatArray) -> None:
        """Zero the samples that are no numbers, in place, and remember where damage was first met."""
        starts = [at for at, _ in lost]
        self._n_lost_frames += sum(n for _, n in lost)
        if self._source.may_hold_non_numbers:
            bad = ~(np.abs(samples) <= LARGEST_AMPLITUDE)  # also true for NaN
            if bad.any():
                self._n_not_finite += int(bad.sum())
                starts.append(first + int(bad.any(axis=1).argmax()))
                samples[bad] = 0.0
        if starts:
            self._first_damage = min([*starts, *([] if self._first_damage is None else [self._first_damage])])
