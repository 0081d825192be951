"""Writing a take.toml to complete: every file with the role that its name suggests, and empty fields."""

from __future__ import annotations

import json
import re
import textwrap
from collections.abc import Iterator
from pathlib import Path

from kitproof.errors import OutputError, TakeError
from kitproof.ingest.folder import SHEET_NAME, list_take
from kitproof.ingest.take import read_take
from kitproof.model import Channel, Take
from kitproof.roles import LABELS
from kitproof.wholefile import whole_file

_FIELDS = {
    "mic": 'kind and pattern: "dynamic, cardioid"',
    "preamp": "and the channel it went through",
    "position": 'where it points: "5 cm over the rim, to the centre"',
    "note": "anything to remember",
}
_DISTANCES = {
    "to_own_drum_m": "capsule to the head or cymbal it is there for, in metres",
    "to_snare_m": "capsule to the centre of the snare's head, in metres",
}


def write_sheet(folder: Path, *, force: bool = False) -> Path:
    """Write a take.toml with everything that is known about the take, ready to be completed.

    Parameters
    ----------
    folder : the take folder
    force : write although there is a take.toml; what it declares is carried over (its own comments
        are not), and one that is no TOML is replaced

    Returns
    -------
    The path of the sheet: the one that was there, else take.toml in the folder itself.

    Raises
    ------
    TakeError : no such folder, or no audio in it
    OutputError : there is a take.toml and no `force`, or it cannot be written
    """
    folder = Path(folder)
    there = list_take(folder).sheet
    path = there or folder / SHEET_NAME
    if there is not None and not force:
        raise OutputError(f"{path}: there already is one; complete it by hand, or ask for it to be written anew")
    try:
        take = read_take(folder)
    except TakeError:
        take = read_take(folder, use_sheet=False)
    with whole_file(path) as file:
        file.write(sheet_text(take).encode("utf-8"))
    return path


def sheet_text(take: Take) -> str:
    """The sheet as text: valid TOML that reads back to the same roles."""
    return (
        "\n".join([*_head(take), *(line for channel in take.channels for line in _entry(take, channel)), *_tail(take)])
        + "\n"
    )


def _head(take: Take) -> Iterator[str]:
    yield "# What you know about this take. Fill in what you like; empty fields count as not said."
    yield "# A line that begins with # is not read: take the # away to use it."
    yield from textwrap.wrap(
        "Roles: " + ", ".join(LABELS), 100, initial_indent="# ", subsequent_indent="#   ", break_on_hyphens=False
    )
    yield ""
    yield "[take]"
    yield f"song = {_text(take.song)}"
    yield _optional("number", take.number, "of the take")
    yield _optional("tempo_bpm", take.tempo_bpm, "of the click, in beats per minute")
    yield _optional("beats_per_bar", take.beats_per_bar, "4 in common time")
    yield _optional("first_bar_s", take.first_bar_s, "where bar 1 begins, in seconds from the start of the files")
    temperature = take.temperature_c if take.temperature_declared else None
    yield _optional("temperature_c", temperature, "of the room, in degrees Celsius; sound is faster in warm air")


def _entry(take: Take, channel: Channel) -> Iterator[str]:
    yield ""
    name = channel.path.rsplit("/", 1)[-1]
    if channel.index_in_file == 0:
        yield from (f"# {remark}" for remark in take.remarks if remark.startswith(f"{name}: "))
    yield "[[channel]]"
    yield f"file = {_text(channel.file)}"
    unsure = "  # not sure" if channel.role_source == "unknown" else ""
    yield f"role = {_text(channel.role)}{unsure}"
    for key, comment in _FIELDS.items():
        yield f"{key} = {_text(getattr(channel, key))}  # {comment}"
    for key, comment in _DISTANCES.items():
        yield _optional(key, getattr(channel, key), comment)


def _tail(take: Take) -> Iterator[str]:
    """Sections and the take's own limits, if there are any."""
    for section in take.sections:
        yield from ("", "[[section]]", f"name = {_text(section.name)}", f"bar = {section.bar}")
    own = next((values for place, values in take.limits.items() if place.endswith(f"/{SHEET_NAME}")), None)
    if own:
        yield from ("", "[limits]", *(f"{_key(name)} = {_value(value)}" for name, value in own.items()))


def _key(name: str) -> str:
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else _text(name)


def _value(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    return repr(value) if isinstance(value, float | int) else _text(str(value))


def _optional(key: str, value: float | None, comment: str) -> str:
    """A number, or a line to complete: TOML knows no empty number."""
    return f"# {key} =   # {comment}" if value is None else f"{key} = {value!r}  # {comment}"


def _text(value: str | None) -> str:
    """A TOML string; its escapes are those of JSON, except that DEL must be escaped too."""
    return json.dumps(value or "", ensure_ascii=False).replace("\x7f", "\\u007f")
