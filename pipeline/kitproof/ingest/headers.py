"""What the header of an audio file says: WAV and its 64-bit kin, AIFF, FLAC. No samples are looked at.

Read here and not by the decoding library, because that one quietly shortens a truncated file and
never says how long it was meant to be.

Source
------
WAV: wav.py. AIFF: FORM chunk walk with COMM and SSND, and the AIFF-C compression types of linear
samples. FLAC: the STREAMINFO block, RFC 9639 section 8.2.
"""

from __future__ import annotations

import math
import os
import stat
import struct
from pathlib import Path
from typing import BinaryIO

from kitproof.errors import StemError
from kitproof.ingest.chunks import COPY_AGAIN, Chunk, Header, SampleLayout, body, check_shape, damaged, needed, walk
from kitproof.ingest.wav import read_wav

# what else a file with an audio name may be: first bytes -> what it is
_OTHER_KINDS = {
    b"OggS": "an Ogg file", b"caff": "a CAF file", b"riff": "a Wave64 file", b"RIFX": "a big-endian RIFF file",
    b"PK\x03\x04": "a ZIP archive", b"%PDF": "a PDF", b"\xff\xfb": "an MP3 file", b"\xff\xf3": "an MP3 file",
    b"<!": "a web page", b"<h": "a web page",
}  # fmt: skip


def read_header(path: Path) -> Header:
    """Read the header of an audio file.

    Raises
    ------
    StemError : not a regular file, not an audio file of a known kind, or its header is damaged
    OSError : the file cannot be opened or read
    """
    if not stat.S_ISREG(path.stat().st_mode):
        raise StemError(f"{path.name}: not a regular file; put the audio file itself into the take folder")
    with path.open("rb") as file:
        start = _after_id3(file)
        file.seek(start)
        magic = file.read(12)
        size = os.fstat(file.fileno()).st_size
        try:
            if magic[:4] in (b"RIFF", b"RF64", b"BW64") and magic[8:] == b"WAVE":
                return read_wav(file, path.name, magic[:4], start + 12, size)
            if magic[:4] == b"FORM" and magic[8:] in (b"AIFF", b"AIFC"):
                return _read_aiff(file, path.name, magic[8:], start + 12, size)
            if magic[:4] == b"fLaC":
                return _read_flac(file, path.name, start + 4)
        except (struct.error, OverflowError):
            raise damaged(path.name, f"it breaks off ({size} bytes in all)") from None
    raise StemError(_not_audio(path.name, magic, start, size))


def _not_audio(name: str, magic: bytes, start: int, size: int) -> str:
    expected = "expected WAV, RF64, BW64, AIFF or FLAC"
    if len(magic) < 12:
        return f"{name}: only {size} bytes, {expected}; {COPY_AGAIN}"
    if not magic.strip(b"\0"):
        return f"{name}: begins with nothing but zeros, {expected}; the copy was probably never finished, {COPY_AGAIN}"
    kind = next((kind for first, kind in _OTHER_KINDS.items() if magic.startswith(first)), "")
    if magic[4:8] == b"ftyp":
        kind = "an MPEG-4 file"
    found = f"this is {kind}" if kind else "no audio file of a known kind"
    return f"{name}: {found}, {expected}; export it again in one of these, or take it out of the folder"


def _after_id3(file: BinaryIO) -> int:
    """Offset behind an ID3v2 tag that some writers put in front."""
    tag = file.read(10)
    if tag[:3] != b"ID3" or len(tag) < 10:
        return 0
    return 10 + sum((byte & 0x7F) << shift for byte, shift in zip(tag[6:], (21, 14, 7, 0), strict=True))


# AIFF-C compression type -> (float or not, big-endian); anything else needs the decoding library
_LINEAR_AIFF = {
    b"NONE": (False, True), b"twos": (False, True), b"in24": (False, True), b"in32": (False, True),
    b"sowt": (False, False), b"fl32": (True, True), b"FL32": (True, True), b"fl64": (True, True), b"FL64": (True, True),
}  # fmt: skip


def _read_aiff(file: BinaryIO, name: str, form: bytes, pos: int, size: int) -> Header:
    found = walk(file, pos, size, big_endian=True)
    comm = body(file, needed(name, found, b"COMM"), 22)
    n_channels, frames, bits, exponent, mantissa = struct.unpack(">hIhHQ", comm[:18])
    rate_hz = math.ldexp(mantissa, (exponent & 0x7FFF) - 16383 - 63)  # 80-bit float
    check_shape(name, rate_hz, n_channels)
    compression = comm[18:22] if form == b"AIFC" else b"NONE"
    layout, n_frames = None, None
    if compression in _LINEAR_AIFF:
        sound = needed(name, found, b"SSND")
        layout, n_frames = _aiff_layout(file, name, sound, size, n_channels, bits, _LINEAR_AIFF[compression])
    return Header(
        container="AIFF",
        rate_hz=round(rate_hz),
        n_channels=n_channels,
        declared_frames=frames or None,
        encoding=layout.encoding if layout else None,
        bit_depth=bits if layout else None,
        n_frames=n_frames,
        layout=layout,
    )


def _aiff_layout(
    file: BinaryIO, name: str, sound: Chunk, size: int, n_channels: int, bits: int, coding: tuple[bool, bool]
) -> tuple[SampleLayout, int]:
    """(layout, frames really there) of linear samples."""
    is_float, big_endian = coding
    sample_bytes = math.ceil(bits / 8)
    if sample_bytes not in ((4, 8) if is_float else (1, 2, 3, 4)):
        raise damaged(name, f"it says {bits} bits")
    (skipped,) = struct.unpack(">I4x", body(file, sound, 8))
    layout = SampleLayout(
        offset_bytes=sound.offset + 8 + skipped,
        frame_bytes=sample_bytes * n_channels,
        sample_bytes=sample_bytes,
        kind="float" if is_float else "signed",
        big_endian=big_endian,
    )
    there_bytes = min(sound.length - 8 - skipped, size - layout.offset_bytes)
    return layout, max(0, there_bytes) // layout.frame_bytes


def _read_flac(file: BinaryIO, name: str, pos: int) -> Header:
    """The 34 bytes of STREAMINFO: rate, channels, bits and length share one 64-bit word at their 10th byte."""
    file.seek(pos)
    kind, packed = struct.unpack(">B3x10xQ16x", file.read(38))
    if kind & 0x7F != 0:
        raise damaged(name, "its STREAMINFO block is missing")
    rate_hz, n_channels, bits = packed >> 44, (packed >> 41 & 7) + 1, (packed >> 36 & 31) + 1
    check_shape(name, rate_hz, n_channels)
    return Header(
        container="FLAC",
        rate_hz=rate_hz,
        n_channels=n_channels,
        declared_frames=(packed & 0xFFFFFFFFF) or None,
        encoding=f"PCM_{bits}",
        bit_depth=bits,
    )
