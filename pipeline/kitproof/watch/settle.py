"""Which takes have come to rest. A file is finished when nothing about it changes any more and its header agrees.

A take is ready when its files (names, sizes, times, also those of files under a temporary name) have been
the same for the settle time, and every header promises no more audio than is there. A take that stays at
rest but does not come whole is ready all the same after `PATIENCE` settle times: then it really is cut
short, and the report has to say so.

Source
------
Own choice. No system tells reliably that a writer has finished: on a network share not even that there is one.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from kitproof.ingest.audiofile import read_facts
from kitproof.ingest.words import AUDIO_SUFFIXES
from kitproof.watch.folders import Bundle

PATIENCE = 6.0  # settle times: long enough for a share that hangs a while, short enough to hear of a broken file soon


@dataclass(frozen=True, slots=True)
class Sighting:
    """Since when a take has looked like this."""

    witness: str
    since_s: float


class Settling:
    """What is remembered from look to look.

    Parameters
    ----------
    settle_s : how long a take must have been at rest
    earlier : sightings of an earlier run, on the same clock as the times given to `update`
    """

    def __init__(self, settle_s: float, earlier: Mapping[str, Sighting] | None = None) -> None:
        self.settle_s = settle_s
        self.sightings: dict[str, Sighting] = dict(earlier or {})
        self._unfinished: dict[str, tuple[str, str | None]] = {}

    def update(self, bundles: Iterable[Bundle], now_s: float) -> bool:
        """Take note of a look at `now_s`; True if anything differs from the one before."""
        before = self.sightings
        self.sightings = {}
        for bundle in bundles:
            old, witness = before.get(bundle.name), bundle.witness
            same = old is not None and old.witness == witness and old.since_s <= now_s
            self.sightings[bundle.name] = old if same and old is not None else Sighting(witness, now_s)
        return self.sightings != before

    def is_ready(self, bundle: Bundle, now_s: float) -> bool:
        """True if the take is at rest and whole, or at rest for so long that it never will be whole."""
        rest_s = self._rest_s(bundle, now_s)
        if rest_s < self.settle_s:
            return False
        return rest_s >= PATIENCE * self.settle_s or self.why_unfinished(bundle) is None

    def due_s(self, bundle: Bundle, now_s: float) -> float:
        """Seconds until it is worth asking again."""
        rest_s = self._rest_s(bundle, now_s)
        return max(0.0, (self.settle_s if rest_s < self.settle_s else PATIENCE * self.settle_s) - rest_s)

    def why_unfinished(self, bundle: Bundle) -> str | None:
        """What says that a take at rest is still being written, as a sentence; None if nothing does."""
        witness = bundle.witness
        known = self._unfinished.get(bundle.name)
        if known is None or known[0] != witness:
            known = self._unfinished[bundle.name] = (witness, _why_unfinished(bundle))
        return known[1]

    def _rest_s(self, bundle: Bundle, now_s: float) -> float:
        seen = self.sightings.get(bundle.name)
        return now_s - seen.since_s if seen is not None and seen.witness == bundle.witness else 0.0


def _why_unfinished(bundle: Bundle) -> str | None:
    if bundle.temporary:
        return f"{bundle.temporary[0].name} still has a temporary name"
    audio = (f.name for f in bundle.files if f.name.lower().endswith(AUDIO_SUFFIXES))
    return next(filter(None, (unfinished(bundle.folder / name) for name in audio)), None)


def unfinished(path: Path) -> str | None:
    """What shows that an audio file is not whole yet, or None. Its header and its last frame are read, no more."""
    facts = read_facts(path, path.parent)
    if facts.problem is not None:
        return facts.problem_text
    if facts.declared_frames is None:
        return f"{path.name}: its header does not say yet how long it is"
    return _riff_short(path)


def _riff_short(path: Path) -> str | None:
    """A RIFF file whose audio is all there, but not what its header says comes behind it."""
    try:
        with path.open("rb") as file:
            magic, length = struct.unpack("<4sI", file.read(8))
        if magic == b"RIFF" and 0 < length < 0xFFFFF000 and path.stat().st_size + 1 < length + 8:
            return f"{path.name}: {length + 8} bytes promised, {path.stat().st_size} there"
    except (OSError, struct.error):
        return f"{path.name}: cannot be read"
    return None
