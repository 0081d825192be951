"""Saved results: measurements.json, pictures.npz, hits.csv. SCHEMA.md says what every key means.

Conventions
-----------
- The same record gives the same bytes: sorted keys, fixed order, no dates.
- Numbers are saved exactly as the record holds them (shortest form that reads back the same), so
  a record read back equals the one written. Rounding would be a second place that decides how
  precise a number is; that is the business of whoever measures it, and of the report that shows it.
- JSON knows no NaN or infinity, and neither do the records: one that slipped in is an error.
- A file is whole or absent: it is written beside its place and moved there once it is on the disk.
- Text is UTF-8; a byte of a file's name that is not is written as its escape and read back the same.
"""

from __future__ import annotations

import csv
import io
import json
import zipfile
import zlib
from collections.abc import Mapping
from dataclasses import fields
from pathlib import Path
from typing import Any, BinaryIO, NoReturn

import numpy as np
from numpy.typing import NDArray

from kitproof.comparison import Comparison
from kitproof.errors import OutputError, SavedError, StageInputError
from kitproof.model import (
    SCHEMA_VERSION,
    ChannelPicture,
    FloatArray,
    Hit,
    HitPicture,
    Measurements,
    MomentPicture,
    Pictures,
)
from kitproof.plain import from_plain, to_plain
from kitproof.wholefile import whole_file

LEVEL_STEP_DB = 0.5  # of a saved spectrogram: a quarter of a decibel off at most, less than one shade of a picture
NO_LEVEL = 255  # code for silence; 0 to 254 count down from the loudest, 127 dB in all, more than a page can show
_OLDEST_ZIP_DATE = (1980, 1, 1, 0, 0, 0)
_REMEASURE = "measure the take again"


# ---------------------------------------------------------------- measurements.json
def write_measurements(m: Measurements, path: Path) -> None:
    """Save one take's measurements as JSON, UTF-8, one line per value.

    Each entry of `channels` also carries what the take declares about that channel (mic, position ...),
    so that a reader needs no second look-up; `take.channels` lists every channel, measured or not.

    Raises
    ------
    OutputError : a number is NaN or infinite (its field is named), or the file cannot be written.
    StageInputError : a measured channel is not in the take: a bug in the caller.
    """
    document = to_plain(m, f"{path}: measurements")
    declared = {channel["file"]: channel for channel in document["take"]["channels"]}
    strangers = [channel["file"] for channel in document["channels"] if channel["file"] not in declared]
    if strangers:
        raise StageInputError(f"{path}: measured but not in the take: {', '.join(strangers)}")
    document["files"] = document["take"].pop("files")
    document["channels"] = [declared[channel["file"]] | channel for channel in document["channels"]]
    text = json.dumps(document, sort_keys=True, allow_nan=False, indent=1, ensure_ascii=False) + "\n"
    with whole_file(path) as handle:
        handle.write(_utf8(text))


def read_measurements(path: Path) -> Measurements:
    """Read back what write_measurements saved: an equal record.

    Keys it does not know are passed over, so that a later version may say more. Sequences in
    `settings` come back as tuples, as everywhere in the records.

    Raises
    ------
    SavedError : the file is missing, is not JSON, is of another schema version, or lacks a value or
        holds one of the wrong kind (the place is named).
    """
    try:
        document = json.loads(path.read_text("utf-8"), parse_constant=_refuse_constant)
    except OSError as error:
        raise SavedError(f"{path}: cannot be read ({error.strerror or error})") from error
    except ValueError as error:  # not UTF-8, not JSON, or a number that JSON does not have
        raise SavedError(f"{path}: damaged, not JSON ({error}); {_REMEASURE}") from error
    version = document.get("schema_version") if isinstance(document, dict) else None
    _check_version(path, version)
    if isinstance(document.get("take"), dict):
        document["take"]["files"] = document.get("files")
    try:
        record: Measurements = from_plain(Measurements, document, "measurements")
    except ValueError as error:
        raise SavedError(f"{path}: damaged ({error}); {_REMEASURE}") from error
    return record


def write_comparison(c: Comparison, path: Path) -> None:
    """Save what a comparison of takes says as JSON, as write_measurements does; COMPARISON.md lists the keys.

    Raises
    ------
    OutputError : a number is NaN or infinite (its field is named), or the file cannot be written.
    """
    document = to_plain(c, f"{path}: comparison")
    text = json.dumps(document, sort_keys=True, allow_nan=False, indent=1, ensure_ascii=False) + "\n"
    with whole_file(path) as handle:
        handle.write(_utf8(text))


def _check_version(path: Path, version: object) -> None:
    if version != SCHEMA_VERSION:
        found = "no schema_version" if version is None else f"schema_version {version!r}"
        raise SavedError(f"{path}: {found}, this kitproof reads {SCHEMA_VERSION}; {_REMEASURE}")


def _refuse_constant(name: str) -> NoReturn:
    raise ValueError(f"{name} is no JSON number")


def _utf8(text: str) -> bytes:
    # The escape of a lone surrogate (how Python carries an undecodable byte of a file name) is valid JSON.
    return text.encode("utf-8", errors="backslashreplace")


# ---------------------------------------------------------------- hits.csv
def write_hits_csv(m: Measurements, path: Path) -> None:
    """Save the hits as a table: one line each, UTF-8, units in the header's names (see SCHEMA.md).

    A figure that could not be had is an empty cell; the last column says why.

    Raises
    ------
    OutputError : a number is NaN or infinite, or the file cannot be written.

    Source
    ------
    RFC 4180, section 2: CRLF line ends, a header line, quotes where a cell needs them.
    """
    columns = [f.name for f in fields(Hit)]
    table = io.StringIO(newline="")
    writer = csv.DictWriter(table, columns)  # the csv module's default dialect is RFC 4180's
    writer.writeheader()
    for i, hit in enumerate(m.hits):
        row = to_plain(hit, f"{path}: measurements.hits[{i}]")
        reasons = "; ".join(f"{name}: {reason}" for name, reason in sorted(hit.unmeasured.items()))
        writer.writerow(row | {"unmeasured": reasons})
    with whole_file(path) as handle:
        handle.write(_utf8(table.getvalue()))


# ---------------------------------------------------------------- pictures.npz
def write_pictures(p: Pictures, path: Path) -> None:
    """Save the pictures' arrays, as precise as a page can show them and no more.

    Spectrograms: 8 bits in steps of LEVEL_STEP_DB from the loudest value down; what lies more than
    127 dB below it is raised to that. Waveforms and mean strokes: 16-bit floats relative to the
    array's largest value (11 bits). Other levels: 16-bit floats (0.03 dB off at -100 dB). Frequencies
    and times: 32-bit floats. Minus infinity in a level (silence) is kept.

    Raises
    ------
    OutputError : a value is NaN or infinite (the array is named), or the file cannot be written.

    Source
    ------
    NumPy's .npy and .npz formats; the precision is an own choice, for files one can send.
    """
    index: dict[str, Any] = {"schema_version": SCHEMA_VERSION}
    arrays: dict[str, NDArray[Any]] = {}
    groups: dict[str, tuple[ChannelPicture | HitPicture | MomentPicture, ...]] = {
        "channels": p.channels, "hits": p.hits, "moments": p.moments,
    }  # fmt: skip
    for group, pictures in groups.items():
        index[group] = []
        for i, picture in enumerate(pictures):
            entry: dict[str, Any] = {"scales": {}}
            for name, value in ((f.name, getattr(picture, f.name)) for f in fields(picture)):
                key = f"{group}/{i}/{name}"
                if isinstance(value, np.ndarray):
                    arrays[key], entry["scales"][name] = _pack(name, value, f"{path}: {key}")
                else:
                    entry[name] = to_plain(value, f"{path}: {key}")
            index[group].append(entry)
    arrays["index"] = np.array(json.dumps(index, sort_keys=True, allow_nan=False))
    with whole_file(path) as handle:
        _write_npz(arrays, handle)


def read_pictures(path: Path) -> Pictures:
    """Read back what write_pictures saved; arrays are read-only float32.

    Raises
    ------
    SavedError : the file is missing, damaged, or of another schema version.
    """
    damage = (EOFError, ValueError, KeyError, TypeError, AttributeError, zipfile.BadZipFile, zlib.error)
    try:
        with path.open("rb") as handle, np.load(handle, allow_pickle=False) as archive:
            index = json.loads(str(archive["index"]))
            _check_version(path, index.get("schema_version"))
            channels = [_picture(archive, f"channels/{i}", entry) for i, entry in enumerate(index["channels"])]
            hits = [_picture(archive, f"hits/{i}", entry) for i, entry in enumerate(index["hits"])]
            moments = [_picture(archive, f"moments/{i}", entry) for i, entry in enumerate(index.get("moments", []))]
            return Pictures(
                channels=tuple(ChannelPicture(**entry) for entry in channels),
                hits=tuple(HitPicture(**entry) for entry in hits),
                moments=tuple(MomentPicture(**entry) for entry in moments),
            )
    except OSError as error:
        raise SavedError(f"{path}: cannot be read ({error.strerror or error})") from error
    except damage as error:
        raise SavedError(f"{path}: damaged ({error}); {_REMEASURE}") from error


def _picture(archive: Mapping[str, NDArray[Any]], prefix: str, entry: dict[str, Any]) -> dict[str, Any]:
    scales = entry.pop("scales")
    texts = {name: tuple(value) if isinstance(value, list) else value for name, value in entry.items()}
    return texts | {name: _unpack(name, archive[f"{prefix}/{name}"], scale) for name, scale in scales.items()}


def _pack(name: str, values: FloatArray, where: str) -> tuple[NDArray[Any], float]:
    """The array as saved, and its scale: the loudest level (spectrogram), the largest value (waveform) or 1."""
    exact = np.asarray(values, dtype=np.float64)
    silent = (exact == -np.inf) & name.endswith("_dbfs")
    known = exact[np.isfinite(exact)]
    if known.size + np.count_nonzero(silent) != exact.size:
        raise OutputError(f"{where} holds NaN or infinity; nothing was written")
    if name == "spectrogram_dbfs":
        loudest = round(float(known.max()) / LEVEL_STEP_DB) * LEVEL_STEP_DB if known.size else 0.0
        steps = np.round((loudest - np.where(silent, loudest, exact)) / LEVEL_STEP_DB)
        return np.where(silent, NO_LEVEL, np.clip(steps, 0, NO_LEVEL - 1)).astype(np.uint8), loudest
    if name.endswith("_dbfs"):
        return exact.astype(np.float16), 1.0
    if name.endswith(("_hz", "_ms")):
        return exact.astype(np.float32), 1.0
    largest = float(np.abs(exact).max(initial=0.0)) or 1.0
    return (exact / largest).astype(np.float16), largest


def _unpack(name: str, saved: NDArray[Any], scale: float) -> FloatArray:
    if name == "spectrogram_dbfs":
        exact = np.where(saved == NO_LEVEL, -np.inf, scale - LEVEL_STEP_DB * saved)
    else:
        exact = saved.astype(np.float64) * scale
    result = exact.astype(np.float32)
    result.flags.writeable = False
    return result


def dateless_entry(name: str) -> zipfile.ZipInfo:
    """An entry of a zip archive that is the same whenever and on whatever system it is written."""
    entry = zipfile.ZipInfo(name, date_time=_OLDEST_ZIP_DATE)
    entry.create_system = 3
    return entry


def _write_npz(arrays: Mapping[str, NDArray[Any]], handle: BinaryIO) -> None:
    # numpy's own savez stamps the present time into the archive, so no two files would be the same.
    with zipfile.ZipFile(handle, "w") as archive:
        for name, values in arrays.items():
            entry = dateless_entry(f"{name}.npy")
            entry.compress_type = zipfile.ZIP_DEFLATED
            content = io.BytesIO()
            np.lib.format.write_array(content, np.asarray(values), allow_pickle=False)
            archive.writestr(entry, content.getvalue(), compresslevel=9)
