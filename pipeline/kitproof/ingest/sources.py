"""Where samples come from: straight from the bytes of linear files, or from the decoding library.

Both kinds have n_frames, encoding, may_hold_non_numbers, close() and read(start, n), which gives
(samples float64 (n, n_channels), stretches [(start, n)] that could not be read and are zero); the
span asked for must lie within the file.

Linear samples are read here because then the samples are exactly those that the header's facts
speak of, also in files that the library refuses or sees as empty (BW64, lengths left open).
"""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import soundfile as sf
from numpy.typing import NDArray

from kitproof.errors import StemError
from kitproof.ingest.chunks import Header, SampleLayout
from kitproof.model import FloatArray

_SALVAGE_FRAMES = 4096  # the usual FLAC block: how finely a stretch that fails to decode is tried again


class LinearSource:
    """PCM and float samples as they lie in WAV and AIFF files."""

    encoding = ""

    def __init__(self, path: Path, layout: SampleLayout, n_frames: int, n_channels: int) -> None:
        self.n_frames = n_frames
        self.may_hold_non_numbers = layout.kind == "float"
        self._layout, self._n_channels = layout, n_channels
        self._file: BinaryIO = path.open("rb")

    def close(self) -> None:
        self._file.close()

    def read(self, start: int, n: int) -> tuple[FloatArray, list[tuple[int, int]]]:
        frame_bytes = self._layout.frame_bytes
        self._file.seek(self._layout.offset_bytes + start * frame_bytes)
        raw = self._file.read(n * frame_bytes)
        there = len(raw) // frame_bytes
        samples = _to_float(raw[: there * frame_bytes], self._layout).reshape(there, self._n_channels)
        if there == n:
            return samples, []
        # the file became shorter while it was read
        padded = np.zeros((n, self._n_channels))
        padded[:there] = samples
        return padded, [(start + there, n - there)]


def _to_float(raw: bytes, layout: SampleLayout) -> NDArray[np.float64]:
    """Bytes to float64, full scale 1.0: an integer of n bits is divided by 2^(n-1), as decoders do."""
    order, size = ">" if layout.big_endian else "<", layout.sample_bytes
    if layout.kind == "float":
        with np.errstate(invalid="ignore"):  # damaged files hold NaNs of the kind that warns
            return np.frombuffer(raw, f"{order}f{size}").astype(np.float64)
    if layout.kind == "unsigned":
        return (np.frombuffer(raw, np.uint8).astype(np.float64) - 128.0) / 128.0
    if size == 3:  # numpy knows no 24-bit integers: the upper three bytes of 32-bit ones
        wide = np.zeros((len(raw) // 3, 4), np.uint8)
        wide[:, slice(0, 3) if layout.big_endian else slice(1, 4)] = np.frombuffer(raw, np.uint8).reshape(-1, 3)
        return wide.view(f"{order}i4")[:, 0] / 2.0**31
    samples: NDArray[np.float64] = np.frombuffer(raw, f"{order}i{size}") / 2.0 ** (8 * size - 1)
    return samples


class DecodedSource:
    """Samples that need a decoder: FLAC, and WAV or AIFF with compressed samples."""

    may_hold_non_numbers = False

    def __init__(self, path: Path, header: Header) -> None:
        self._path = path
        self._file = self._open()
        if (self._file.channels, self._file.samplerate) != (header.n_channels, header.rate_hz):
            self._file.close()
            raise StemError(f"{path.name}: header and audio disagree about channels or rate; copy it again")
        self.encoding: str = self._file.subtype
        facts = path.stat()
        self.n_frames: int = _decodable_frames(path, facts.st_size, facts.st_mtime_ns)

    def _open(self) -> Any:
        return _open_decoder(self._path)

    def close(self) -> None:
        self._file.close()

    def read(self, start: int, n: int) -> tuple[FloatArray, list[tuple[int, int]]]:
        try:
            if self._file.tell() != start:
                self._file.seek(start)
            samples = self._file.read(n, dtype="float64", always_2d=True)
            if len(samples) == n:
                return samples, []
        except (sf.SoundFileError, RuntimeError):
            pass
        return self._salvage(start, n)

    def _salvage(self, start: int, n: int) -> tuple[FloatArray, list[tuple[int, int]]]:
        """Read a stretch that failed in small pieces; zeros for the pieces that fail again."""
        out = np.zeros((n, self._file.channels))
        lost = []
        at = start
        while at < start + n:
            length = min(_SALVAGE_FRAMES - at % _SALVAGE_FRAMES, start + n - at)
            piece = _try_to_decode(self._path, at, length)
            if piece is None:
                lost.append((at, length))
            else:
                out[at - start : at - start + length] = piece
            at += length
        self._file.close()
        self._file = self._open()  # a decoder that failed once does not find its way back
        return out, lost


def _open_decoder(path: Path) -> Any:
    try:
        return sf.SoundFile(path)
    except (sf.SoundFileError, RuntimeError) as error:
        reason = str(error).rsplit(": ", 1)[-1].rstrip(".")
        raise StemError(f"{path.name}: cannot be decoded ({reason}); copy or export it again") from error


def _try_to_decode(path: Path, start: int, n: int) -> FloatArray | None:
    try:
        with _open_decoder(path) as file:
            file.seek(start)
            samples: FloatArray = file.read(n, dtype="float64", always_2d=True)
    except (sf.SoundFileError, RuntimeError, StemError):
        return None
    return samples if len(samples) == n else None


@lru_cache(maxsize=256)
def _decodable_frames(path: Path, size: int, changed_ns: int) -> int:
    """Frames up to the last one that decodes; size and time of change only mark the cached answer as old.

    A whole file shows it at the first try. Otherwise bisection: each try is one seek, also in a
    file of hours.
    """
    with _open_decoder(path) as file:
        promised: int = file.frames
    if promised == 0 or _try_to_decode(path, promised - 1, 1) is not None:
        return promised
    there, missing = 0, promised
    while missing - there > 1:
        middle = (there + missing) // 2
        there, missing = (middle, missing) if _try_to_decode(path, middle - 1, 1) is not None else (there, middle)
    return there
