"""Records as the plain values that JSON knows, and back. Follows the declared types: a new field needs no line here."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import MISSING, fields, is_dataclass
from functools import cache
from types import UnionType
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

import numpy as np

from kitproof.errors import OutputError


def to_plain(value: Any, where: str) -> Any:
    """A record as dicts, lists, strings and numbers; `where` is how an error calls it.

    Raises
    ------
    OutputError : something that JSON cannot hold, with the name of its field.
    """
    if is_dataclass(value):
        return {f.name: to_plain(getattr(value, f.name), f"{where}.{f.name}") for f in fields(value)}
    if isinstance(value, Mapping) and all(isinstance(key, str) for key in value):
        return {key: to_plain(entry, f"{where}.{key}") for key, entry in value.items()}
    if isinstance(value, (tuple, list)):
        return [to_plain(entry, f"{where}[{i}]") for i, entry in enumerate(value)]
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        raise OutputError(f"{where} is {value}: what cannot be had must be None with a reason; nothing was written")
    if value is None or isinstance(value, (str, bool, int, float)):
        return value
    raise OutputError(f"{where} holds a {type(value).__name__}, which JSON cannot; nothing was written")


def from_plain(kind: Any, value: Any, where: str) -> Any:
    """`value`, as JSON gives it, as a record or value of the declared type `kind`.

    Keys that the record does not have are passed over, and fields that an earlier version did not save have their
    defaults. Under `Any`, lists become tuples.

    Raises
    ------
    ValueError : a value is missing or not of its type; the text begins with its place.
    """
    origin, options = get_origin(kind), get_args(kind)
    if kind is Any:
        return _tuples(value)
    if origin in (Union, UnionType):  # only ever "X | None"
        return None if value is None else from_plain(next(o for o in options if o is not type(None)), value, where)
    if origin is Literal and value in options:
        return value
    if origin is tuple and isinstance(value, list):
        return tuple(from_plain(options[0], entry, f"{where}[{i}]") for i, entry in enumerate(value))
    if origin is Mapping and isinstance(value, dict):
        return {key: from_plain(options[1], entry, f"{where}.{key}") for key, entry in value.items()}
    if is_dataclass(kind) and isinstance(value, dict):
        return _record(kind, value, where)
    accepted = (int, float) if kind is float else kind  # a whole number is a fine float
    if isinstance(kind, type) and isinstance(value, accepted) and (kind is bool or not isinstance(value, bool)):
        return value
    raise ValueError(f"{where} is {str(value)[:40]!r}, expected {getattr(kind, '__name__', kind)}")


def _record(kind: Any, value: dict[str, Any], where: str) -> Any:
    types = _field_types(kind)
    missing = [
        f.name for f in fields(kind) if f.name not in value and f.default is MISSING and f.default_factory is MISSING
    ]
    if missing:
        raise ValueError(f"{where} lacks {', '.join(missing)}")
    entries = {name: from_plain(types[name], value[name], f"{where}.{name}") for name in types if name in value}
    try:
        return kind(**entries)
    except ValueError as error:  # the record's own check: a None without its reason
        raise ValueError(f"{where}: {error}") from error


@cache
def _field_types(kind: Any) -> dict[str, Any]:
    types = get_type_hints(kind)
    return {f.name: types[f.name] for f in fields(kind)}


def _tuples(value: Any) -> Any:
    if isinstance(value, list):
        return tuple(_tuples(entry) for entry in value)
    return {key: _tuples(entry) for key, entry in value.items()} if isinstance(value, dict) else value
