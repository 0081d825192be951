"""What the readers of audio headers share: the records they fill, the chunk walk, and how damage is told."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import BinaryIO, Literal

from kitproof.errors import StemError

# A damaged header can claim anything; beyond these limits it is damaged (own choice: far beyond practice).
MOST_CHANNELS = 128
SLOWEST_HZ, FASTEST_HZ = 8_000, 768_000
MOST_CHUNKS = 10_000

COPY_AGAIN = "copy it again from the recorder"


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleLayout:
    """Where the samples of a linear PCM or float file lie, and how they are written."""

    offset_bytes: int
    frame_bytes: int
    sample_bytes: int
    kind: Literal["signed", "unsigned", "float"]
    big_endian: bool

    @property
    def encoding(self) -> str:
        """ "FLOAT", "DOUBLE", "PCM_U8", "PCM_S8" or "PCM_" with the bits that the samples take up."""
        if self.kind == "float":
            return "FLOAT" if self.sample_bytes == 4 else "DOUBLE"
        if self.sample_bytes == 1:
            return "PCM_U8" if self.kind == "unsigned" else "PCM_S8"
        return f"PCM_{8 * self.sample_bytes}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Header:
    """A header, read. `layout`, `encoding` and `n_frames` are None where only the decoder can tell."""

    container: str
    rate_hz: int
    n_channels: int
    declared_frames: int | None  # None: the writer left it open (streaming)
    encoding: str | None = None
    bit_depth: int | None = None
    n_frames: int | None = None  # really there
    layout: SampleLayout | None = None
    time_reference_frames: int | None = None
    description: str | None = None


def damaged(name: str, found: str) -> StemError:
    """The error for a header that makes no sense."""
    return StemError(f"{name}: the header cannot be read, {found}; {COPY_AGAIN}")


def check_shape(name: str, rate_hz: float, n_channels: int) -> None:
    """Refuse a rate or a number of channels that no take has."""
    if not 1 <= n_channels <= MOST_CHANNELS:
        raise damaged(name, f"it says {n_channels} channels (expected 1 to {MOST_CHANNELS})")
    if not SLOWEST_HZ <= rate_hz <= FASTEST_HZ:
        raise damaged(name, f"it says {rate_hz:.6g} Hz (expected {SLOWEST_HZ} to {FASTEST_HZ})")


@dataclass(frozen=True, slots=True)
class Chunk:
    """Where the body of a chunk begins, and how long its header says it is."""

    offset: int
    length: int


def walk(file: BinaryIO, pos: int, size: int, *, big_endian: bool) -> dict[bytes, Chunk]:
    """Chunks by their id, the first of each kind; stops where the file does."""
    order = ">" if big_endian else "<"
    found: dict[bytes, Chunk] = {}
    for _ in range(MOST_CHUNKS):
        file.seek(pos)
        head = file.read(8)
        if len(head) < 8:
            break
        ident, length = struct.unpack(f"{order}4sI", head)
        if ident == b"data" and length == 0xFFFFFFFF and b"ds64" in found:
            (length,) = struct.unpack("<8xQ", body(file, found[b"ds64"], 16))
        found.setdefault(ident, Chunk(pos + 8, length))
        pos += 8 + length
        if pos >= size:
            break
        if length % 2:  # chunks start at even offsets, but some writers leave the filler byte out
            file.seek(pos)
            pos += file.read(1) == b"\0"
    return found


def body(file: BinaryIO, chunk: Chunk, at_most: int) -> bytes:
    """The first bytes of a chunk's body."""
    file.seek(chunk.offset)
    return file.read(min(chunk.length, at_most))


def needed(name: str, found: dict[bytes, Chunk], ident: bytes) -> Chunk:
    """The chunk of that id; without it the file is damaged."""
    if ident not in found:
        raise damaged(name, f'its chunk "{ident.decode().strip()}" is missing')
    return found[ident]
