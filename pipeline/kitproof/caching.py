"""Records and arrays as bytes, and back: the same values, types and bits.

What comes back is built from records of this package and plain arrays only, so that reading bytes somebody else left
runs no code of theirs; that is why this is not pickle. Unlike `plain.py`, which serves files for people, it keeps
arrays, NumPy's own numbers, infinities and the difference between lists and tuples.
"""

from __future__ import annotations

import io
import json
from collections.abc import Iterator, Mapping
from dataclasses import fields, is_dataclass
from importlib import import_module
from typing import Any

import numpy as np
from numpy.typing import NDArray

PACKAGE = "kitproof"
_LENGTH_BYTES = 8


def to_bytes(value: object) -> bytes:
    """A record, or whatever records are made of, as bytes; equal values give equal bytes.

    Raises
    ------
    TypeError : something in it is neither a record of this package, an array, a number, a text nor a container
    """
    arrays: list[NDArray[Any]] = []
    text = json.dumps(_to_tagged(value, arrays), sort_keys=True, separators=(",", ":")).encode("ascii")
    out = io.BytesIO()
    out.write(len(text).to_bytes(_LENGTH_BYTES, "big"))
    out.write(text)
    for array in arrays:
        np.lib.format.write_array(out, array, allow_pickle=False)
    return out.getvalue()


def from_bytes(content: bytes) -> Any:
    """What `to_bytes` was given.

    Raises
    ------
    ValueError : the bytes are not such, or of records that have changed since
    """
    try:
        source = io.BytesIO(content)
        length = int.from_bytes(source.read(_LENGTH_BYTES), "big")
        tagged = json.loads(source.read(length))
        return _from_tagged(tagged, _arrays(source, len(content)))
    except (AttributeError, ImportError, IndexError, KeyError, StopIteration, TypeError) as error:
        raise ValueError(f"no kept record: {type(error).__name__}: {error}") from error


def _arrays(source: io.BytesIO, end: int) -> list[NDArray[Any]]:
    found = []
    while source.tell() < end:
        found.append(np.lib.format.read_array(source, allow_pickle=False))
    return found


def _to_tagged(value: object, arrays: list[NDArray[Any]]) -> Any:
    # NumPy's numbers first: its float64 is a Python float too, but divides by zero in another way.
    if isinstance(value, np.generic | np.ndarray):
        array = np.asarray(value)
        if array.dtype.hasobject:
            raise TypeError("an array of objects cannot be kept")
        arrays.append(array)
        return {"number" if isinstance(value, np.generic) else "array": len(arrays) - 1}
    if value is None or type(value) in (bool, int, float, str):
        return value
    if type(value) in (tuple, list):
        return {type(value).__name__: [_to_tagged(entry, arrays) for entry in _entries(value)]}
    if isinstance(value, Mapping):
        return {"dict": [[_to_tagged(k, arrays), _to_tagged(v, arrays)] for k, v in value.items()]}
    kind = type(value)
    if is_dataclass(value) and kind.__module__.partition(".")[0] == PACKAGE:
        entries = {f.name: _to_tagged(getattr(value, f.name), arrays) for f in fields(value)}
        return {"record": [kind.__module__, kind.__name__, entries]}
    raise TypeError(f"a {kind.__module__}.{kind.__name__} cannot be kept")


def _entries(value: Any) -> Iterator[object]:
    yield from value


def _from_tagged(tagged: Any, arrays: list[NDArray[Any]]) -> Any:
    if not isinstance(tagged, dict):
        return tagged
    ((tag, content),) = tagged.items()
    if tag == "array":
        return arrays[content]
    if tag == "number":
        return arrays[content][()]
    if tag in ("tuple", "list"):
        entries = [_from_tagged(entry, arrays) for entry in content]
        return tuple(entries) if tag == "tuple" else entries
    if tag == "dict":
        return {_from_tagged(k, arrays): _from_tagged(v, arrays) for k, v in content}
    module, name, entries = content
    return _kind(module, name)(**{key: _from_tagged(entry, arrays) for key, entry in entries.items()})


def _kind(module: str, name: str) -> type:
    if module.partition(".")[0] != PACKAGE:
        raise ValueError(f"{module} is none of the package's modules")
    kind: object = getattr(import_module(module), name)
    if not (isinstance(kind, type) and is_dataclass(kind)):
        raise ValueError(f"{module}.{name} is no record")
    return kind
