"""Which file, and which of its channels, an entry of take.toml speaks of."""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from kitproof.ingest.declared import DeclaredChannel
from kitproof.ingest.words import without_suffix
from kitproof.remarks import LISTED_TWICE, NO_SUCH_CHANNEL, NOT_THERE, NOT_THERE_NEAR


@dataclass(slots=True)
class FileEntries:
    """The entries of one file: for all of it, and for single channels of it (from 0)."""

    whole: DeclaredChannel | None = None
    single: dict[int, DeclaredChannel] = field(default_factory=dict)

    def entry_for(self, channel: int) -> DeclaredChannel | None:
        """What is said of one channel: by itself, else for the whole file."""
        return self.single.get(channel, self.whole)


def _composed(name: str) -> str:
    return unicodedata.normalize("NFC", name)


def _caseless(name: str) -> str:
    return _composed(name).casefold()


def _stem(name: str) -> str:
    return _caseless(without_suffix(name))


# from strict to lenient: as written, in one Unicode form, in any case, without the suffix
_SAMENESS: tuple[Callable[[str], str], ...] = (str, _composed, _caseless, _stem)


def match_entries(
    entries: Sequence[DeclaredChannel], names: Sequence[str], n_channels: Sequence[int | None]
) -> tuple[dict[str, FileEntries], list[str]]:
    """Entries by file name, and remarks on those that fit no file, no channel, or one that has an entry.

    `n_channels` is None for a file that could not be read: any channel of it may be spoken of.
    """
    found: dict[str, FileEntries] = {}
    remarks: list[str] = []
    for entry in entries:
        name, channel = _locate(entry.file, names)
        if name is None:
            remarks.append(_not_there(entry.file, names))
            continue
        most = n_channels[names.index(name)]
        slot = found.setdefault(name, FileEntries())
        if channel is not None and most is not None and not 0 <= channel < most:
            remarks.append(NO_SUCH_CHANNEL.format(entry=entry.file, n=channel + 1, file=name, most=most))
        elif (slot.whole if channel is None else slot.single.get(channel)) is not None:
            remarks.append(LISTED_TWICE.format(entry=entry.file))
        elif channel is None:
            slot.whole = entry
        else:
            slot.single[channel] = entry
    return found, remarks


def _locate(written: str, names: Sequence[str]) -> tuple[str | None, int | None]:
    """(file name, channel from 0 or None for the whole file); the name is None if no file fits."""
    for text in (written, re.split(r"[/\\]", written)[-1]):  # a path may lead to the file; its name is enough
        numbered = re.fullmatch(r"(.+):(\d{1,3})", text)
        for same in _SAMENESS:
            fitting = [name for name in names if same(name) == same(text)]
            if len(fitting) == 1:
                return fitting[0], None
            if numbered:
                fitting = [name for name in names if same(name) == same(numbered[1])]
                if len(fitting) == 1:
                    return fitting[0], int(numbered[2]) - 1
    return None, None


def _not_there(written: str, names: Sequence[str]) -> str:
    near = difflib.get_close_matches(written, names, n=1)
    return NOT_THERE_NEAR.format(entry=written, near=near[0]) if near else NOT_THERE.format(entry=written)
