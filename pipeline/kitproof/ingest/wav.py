"""The header of WAV files and their 64-bit kin.

Source
------
RIFF chunk walk; the 64-bit sizes of EBU Tech 3306 (RF64) and ITU-R BS.2088 (BW64). Broadcast header:
EBU Tech 3285, the `bext` chunk; its TimeReference is two words, the low one first.
"""

from __future__ import annotations

import struct
from dataclasses import replace
from typing import BinaryIO, Literal

from kitproof.ingest.chunks import MOST_CHUNKS, Chunk, Header, SampleLayout, body, check_shape, damaged, needed, walk

_PCM, _FLOAT, _EXTENSIBLE = 1, 3, 0xFFFE
_DESCRIPTION_BYTES = 256
_TIME_REFERENCE_OFFSET = 338  # behind description, originator, its reference, date and time: 256 + 32 + 32 + 10 + 8
# what writers put into the size of the audio when they can't come back to fill it in; 0 is another
_OPEN_SIZES = (0x7FFFF000, 0x7FFFFFFF, 0xFFFFF000, 0xFFFFFFFF, 0x7FFFFFFFFFFFFFFF, 0xFFFFFFFFFFFFFFFF)


def read_wav(file: BinaryIO, name: str, magic: bytes, pos: int, size: int) -> Header:
    """Header of a WAV, RF64 or BW64 file whose chunks begin at `pos`; StemError if it is damaged."""
    found = walk(file, pos, size, big_endian=False)
    tag, n_channels, rate_hz, frame_bytes, bits = _format(body(file, needed(name, found, b"fmt "), 40))
    check_shape(name, rate_hz, n_channels)
    data = needed(name, found, b"data")
    time_reference, description = _broadcast(file, found.get(b"bext"))
    header = Header(
        container="WAV" if magic == b"RIFF" else magic.decode(),
        rate_hz=rate_hz,
        n_channels=n_channels,
        declared_frames=_fact_frames(file, found),
        time_reference_frames=time_reference,
        description=description,
    )
    if tag not in (_PCM, _FLOAT):
        return header
    layout = _layout(name, tag, bits, frame_bytes, n_channels, data.offset)
    is_open = _is_left_open(file, data, size, frame_bytes)
    there_bytes = max(0, size - data.offset)
    return replace(
        header,
        encoding=layout.encoding,
        bit_depth=bits,
        declared_frames=None if is_open else data.length // frame_bytes,
        n_frames=(there_bytes if is_open else min(there_bytes, data.length)) // frame_bytes,
        layout=layout,
    )


def _format(fmt: bytes) -> tuple[int, int, int, int, int]:
    """(format tag, channels, rate, bytes per frame, valid bits); the extensible form is looked through."""
    tag, n_channels, rate_hz, frame_bytes, bits = struct.unpack("<HHI4xHH", fmt[:16])
    if tag == _EXTENSIBLE and len(fmt) >= 26:
        valid_bits, tag = struct.unpack("<H4xH", fmt[18:26])
        bits = valid_bits if 0 < valid_bits <= bits else bits
    return tag, n_channels, rate_hz, frame_bytes, bits


def _layout(name: str, tag: int, bits: int, frame_bytes: int, n_channels: int, offset: int) -> SampleLayout:
    sample_bytes, odd = divmod(frame_bytes, n_channels)
    kind: Literal["signed", "unsigned", "float"] = "signed" if sample_bytes > 1 else "unsigned"
    if tag == _FLOAT:
        kind = "float"
    if odd or sample_bytes not in ((4, 8) if tag == _FLOAT else (1, 2, 3, 4)) or not 0 < bits <= 8 * sample_bytes:
        raise damaged(name, f"it says {bits} bits in {frame_bytes} bytes for {n_channels} channels")
    return SampleLayout(
        offset_bytes=offset, frame_bytes=frame_bytes, sample_bytes=sample_bytes, kind=kind, big_endian=False
    )


def _is_left_open(file: BinaryIO, data: Chunk, size: int, frame_bytes: int) -> bool:
    """True if the writer could not know the length of the audio, which then goes to the end of the file.

    A data chunk of length 0 is really empty if nothing, or only well-formed chunks, come behind it.
    """
    if data.length == 0:
        return size > data.offset and not _only_chunks(file, data.offset, size)
    return any(0 <= largest - data.length < frame_bytes for largest in _OPEN_SIZES)


def _only_chunks(file: BinaryIO, pos: int, size: int) -> bool:
    for _ in range(MOST_CHUNKS):
        if pos in (size, size - 1):
            return True
        file.seek(pos)
        head = file.read(8)
        if len(head) < 8 or not all(0x20 <= byte < 0x7F for byte in head[:4]):
            return False
        (length,) = struct.unpack("<4xI", head)
        pos += 8 + length + length % 2
    return False


def _fact_frames(file: BinaryIO, found: dict[bytes, Chunk]) -> int | None:
    """Frames of a WAV with compressed samples, from its fact chunk."""
    fact = body(file, found[b"fact"], 4) if b"fact" in found else b""
    return int.from_bytes(fact, "little") if len(fact) == 4 else None


def _broadcast(file: BinaryIO, chunk: Chunk | None) -> tuple[int | None, str | None]:
    """(TimeReference in frames since midnight, Description) of a bext chunk; None for what is missing."""
    if chunk is None:
        return None, None
    bext = body(file, chunk, _TIME_REFERENCE_OFFSET + 8)
    text = bext[:_DESCRIPTION_BYTES].split(b"\0", 1)[0]
    try:
        description = text.decode("utf-8")
    except UnicodeDecodeError:
        description = text.decode("latin-1")
    description = " ".join("".join(c if c.isprintable() else " " for c in description).split())
    if len(bext) < _TIME_REFERENCE_OFFSET + 8:
        return None, description or None
    low, high = struct.unpack("<II", bext[_TIME_REFERENCE_OFFSET:])
    return low + (high << 32), description or None
