"""A take folder, read: its audio files, what take.toml says about them, and the roles of all channels.

What stops the reading (TakeError): no folder, no audio in it, a take.toml that is no TOML. Everything
else is a remark, and the take is read as far as it goes. An unreadable audio file keeps its place and
its role, so that a finding can say which microphone is missing.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from kitproof.ingest.audiofile import read_facts
from kitproof.ingest.declared import DeclaredTake, read_declared
from kitproof.ingest.folder import list_take
from kitproof.ingest.limits import plain_values, read_limits
from kitproof.ingest.matching import FileEntries, match_entries
from kitproof.ingest.names import NamedRoles, roles_from_names, roles_of_channels
from kitproof.ingest.words import without_suffix
from kitproof.model import Channel, FileFacts, Take
from kitproof.remarks import ROLE_TWICE, ROLES_COUNT, SPARE_CHANNELS
from kitproof.roles import LABELS

DEFAULT_TEMPERATURE_C = 20.0
# roles that several mics may have without a question
_MAY_REPEAT = ("other", "talkback", "room", "overhead")
# "Tidewall take 3", "Tidewall_t3", "2024-05-01 Tidewall - Take 3": a title, then the word for take and its number
_FOLDER_NAME = re.compile(
    r"^(?:\d{2,4}[-_.]?\d{2}[-_.]?\d{2}[\s_-]+)?(?P<song>.*?)[\s_-]*(?:\btake|_take|\btk|_tk|\bt(?=\d)|_t(?=\d))"
    r"[\s_#.-]*(?P<number>\d{1,3})$",
    re.IGNORECASE,
)


def read_take(folder: Path, *, use_sheet: bool = True, place: Path | None = None) -> Take:
    """Read a take folder. No samples are looked at.

    Parameters
    ----------
    folder : the folder that holds one take
    use_sheet : False leaves take.toml aside, even if it is no TOML
    place : where the take lies, if `folder` only holds links to its files; limits are those set above it

    Raises
    ------
    TakeError : no such folder, no audio in it, or a take.toml that is no TOML
    """
    folder = Path(folder)
    listing = list_take(folder)
    declared = read_declared(listing.sheet) if listing.sheet is not None and use_sheet else DeclaredTake()
    files = tuple(read_facts(path, folder) for path in listing.audio)
    names = [path.name for path in listing.audio]
    entries, entry_remarks = match_entries(declared.channels, names, [f.n_channels for f in files])
    channels, channel_remarks = _channels(names, files, entries)
    name = folder.resolve().name
    song, number = song_and_number(name)
    return Take(
        folder=str(folder),
        name=name,
        song=declared.song or song,
        number=number if declared.number is None else declared.number,
        tempo_bpm=declared.tempo_bpm,
        beats_per_bar=declared.beats_per_bar,
        first_bar_s=declared.first_bar_s,
        sections=declared.sections,
        temperature_c=DEFAULT_TEMPERATURE_C if declared.temperature_c is None else declared.temperature_c,
        temperature_declared=declared.temperature_c is not None,
        channels=channels,
        files=files,
        ignored=listing.ignored,
        remarks=(*listing.remarks, *declared.remarks, *entry_remarks, *channel_remarks),
        limits=_limits(place or folder, declared),
    )


def _limits(folder: Path, declared: DeclaredTake) -> dict[str, dict[str, float | str | bool]]:
    """Every place that sets limits, the take's own last."""
    own = {f"{folder.resolve().name}/take.toml": declared.limits} if declared.limits else {}
    return {place: plain_values(values) for place, values in (read_limits(folder) | own).items()}


def song_and_number(folder_name: str) -> tuple[str | None, int | None]:
    """Song and take number from a folder's name, only if it says "take" (or "tk", "t3"); else None for both."""
    match = _FOLDER_NAME.match(folder_name)
    if match is None:
        return None, None
    song = match["song"].replace("_", " ").strip(" -")
    return song or None, int(match["number"])


def _channels(
    names: Sequence[str], files: Sequence[FileFacts], entries: dict[str, FileEntries]
) -> tuple[tuple[Channel, ...], list[str]]:
    counts = [facts.n_channels or _expected_channels(entries.get(n)) for n, facts in zip(names, files, strict=True)]
    declared = {name: _declared_roles(entries.get(name), n) for name, n in zip(names, counts, strict=True)}
    settled = {name: [r for r in roles if r] for name, roles in declared.items() if all(roles)}
    named = roles_from_names(names, n_channels=counts, settled=settled)
    channels: list[Channel] = []
    remarks: list[str] = []
    for facts, by_name in zip(files, named, strict=True):
        entry = entries.get(by_name.name, FileEntries())
        if by_name.name not in settled:
            remarks += by_name.remarks
        remarks += _count_remarks(by_name.name, entry, len(by_name.roles))
        channels += _channels_of_file(facts, entry, declared[by_name.name], by_name)
    return _labelled(channels), remarks + _repeated(channels)


def _expected_channels(entry: FileEntries | None) -> int:
    """Channels of a file that could not be read: as many as take.toml speaks of."""
    if entry is None:
        return 1
    listed = len(entry.whole.roles) if entry.whole is not None and entry.whole.is_list else 1
    return max(1, listed, *(channel + 1 for channel in entry.single))


def _declared_roles(entry: FileEntries | None, n_channels: int) -> list[str | None]:
    """Role of each channel according to take.toml, None where it says none."""
    if entry is None:
        return [None] * n_channels
    roles: list[str | None] = [None] * n_channels
    if entry.whole is not None and entry.whole.roles:
        whole = entry.whole.roles
        if not entry.whole.is_list:
            whole = roles_of_channels(whole[0], n_channels) if whole[0] else ()
        roles = [*whole[:n_channels], *["other"] * (n_channels - len(whole))] if whole else roles
    for channel, single in entry.single.items():
        roles[channel] = single.roles[0] if single.roles and single.roles[0] else roles[channel]
    return roles


def _count_remarks(name: str, entry: FileEntries, n_channels: int) -> list[str]:
    """Remarks on a take.toml that gives a file too few or too many roles."""
    if entry.whole is None or not entry.whole.roles:
        return []
    given = entry.whole.roles
    if entry.whole.is_list and len(given) != n_channels:
        return [ROLES_COUNT.format(file=name, n=len(given), most=n_channels)]
    if entry.whole.is_list or given[0] is None or len(entry.single) >= n_channels - 1:
        return []
    spare = roles_of_channels(given[0], n_channels)[1] == "other"
    return [SPARE_CHANNELS.format(file=name, n=n_channels)] if spare else []


def _channels_of_file(
    facts: FileFacts, entry: FileEntries, declared: Sequence[str | None], named: NamedRoles
) -> list[Channel]:
    out = []
    for index, (by_sheet, by_name) in enumerate(zip(declared, named.roles, strict=True)):
        said = entry.entry_for(index)
        out.append(
            Channel(
                file=named.name if index == 0 else f"{named.name}:{index + 1}",
                path=facts.path,
                index_in_file=index,
                role=by_sheet or by_name,
                role_source="take.toml" if by_sheet else named.source,
                label="",
                mic=said.mic if said else None,
                preamp=said.preamp if said else None,
                position=said.position if said else None,
                note=said.note if said else None,
                to_own_drum_m=said.to_own_drum_m if said else None,
                to_snare_m=said.to_snare_m if said else None,
            )
        )
    return out


def _labelled(channels: Sequence[Channel]) -> tuple[Channel, ...]:
    """Give every channel the name that the report calls it by: its role, or its file where the role is no name."""
    counts = Counter(channel.role for channel in channels)

    def label(channel: Channel) -> str:
        number = f":{channel.index_in_file + 1}" if channel.index_in_file else ""
        own = without_suffix(Path(channel.path).name) + number
        if channel.role == "other":
            return own
        return LABELS[channel.role] if counts[channel.role] == 1 else f"{LABELS[channel.role]} ({own})"

    return tuple(replace(channel, label=label(channel)) for channel in channels)


def _repeated(channels: Sequence[Channel]) -> list[str]:
    """Remarks on roles that take.toml gives to several channels, which then all have it."""
    files: dict[str, list[str]] = {}
    for channel in channels:
        if channel.role_source == "take.toml" and channel.role not in _MAY_REPEAT:
            files.setdefault(channel.role, []).append(channel.file)
    return [ROLE_TWICE.format(role=role, files=", ".join(same)) for role, same in files.items() if len(same) > 1]
