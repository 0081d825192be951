"""What the pages of a comparison look up: names of takes, channels and drums, changes by take and subject."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property

from kitproof.comparison import Change, Comparison, Kind, Move, Switch, Word
from kitproof.model import Measurements, Pictures
from kitproof.report import numbers
from kitproof.report.context import Context
from kitproof.report.wording import Words

NO_PICTURES = Pictures(channels=(), hits=())
DECIMALS = {"pitch": 0, "decay": 0, "attack": 2}
LONGEST_NAME = 24  # letters of a folder's name that stands for a take


def minus(text: str) -> str:
    """A level or format in words with a true minus sign, as everywhere on paper."""
    return text.replace("-", numbers.MINUS) if text.endswith("dBFS") else text


class Takes:
    """One comparison with the measurements it was made from, indexed."""

    def __init__(self, comparison: Comparison, measurements: Sequence[Measurements], words: Words) -> None:
        self.comparison = comparison
        self.words = words
        self.contexts = tuple(Context(m, NO_PICTURES, words, small=False) for m in measurements)

    # ------------------------------------------------------------ names
    @cached_property
    def heading(self) -> str:
        """Song and number of takes: "Tidewall: 2 takes compared"."""
        first = self.comparison.takes[0]
        return self.words("compare.heading", song=first.song or first.name, n=len(self.comparison.takes))

    @cached_property
    def names(self) -> dict[int, str]:
        """Take by its place -> "take 2": as declared where that tells all apart, else its folder or its place."""
        takes = self.comparison.takes
        declared = [t.take for t in takes]
        if None not in declared and len(set(declared)) == len(takes):
            return {t.number: self.words("compare.take", n=t.take) for t in takes}
        folders = [t.name for t in takes]
        if len(set(folders)) == len(takes) and all(len(name) <= LONGEST_NAME for name in folders):
            return {t.number: self.words("compare.take_named", name=t.name) for t in takes}
        return {t.number: self.words("compare.take", n=t.number) for t in takes}

    @property
    def ref(self) -> str:
        """Name of the reference."""
        return self.names[1]

    def listing(self, items: Sequence[str], most: int = 12) -> str:
        """A list in words."""
        return self.contexts[0].listing(items, most)

    def label(self, file: str, take: int | None = None) -> str:
        """How a channel is called; of a channel that the reference lacks, in the take that has it."""
        if any(c.file == file for c in self.contexts[0].channels) or take is None:
            return self.contexts[0].label(file)
        return self.contexts[take - 1].label(file)

    def drum(self, drum: str | None) -> str:
        """How a drum is called; "" for none."""
        return self.contexts[0].drum(drum) if drum else ""

    # ------------------------------------------------------------ looking up
    @cached_property
    def others(self) -> tuple[int, ...]:
        """All takes but the reference."""
        return tuple(t.number for t in self.comparison.takes[1:])

    def change(self, take: int, kind: Kind, *, file: str | None = None, drum: str | None = None) -> Change | None:
        """One change; of a file or a drum where that is given."""
        mine = self._changes.get((take, kind), ())
        return next((c for c in mine if file in (None, c.file) and drum in (None, c.drum)), None)

    @cached_property
    def _changes(self) -> dict[tuple[int, Kind], list[Change]]:
        found: dict[tuple[int, Kind], list[Change]] = {}
        for c in self.comparison.changes:
            found.setdefault((c.take, c.kind), []).append(c)
        return found

    def bleeds(self, take: int, drum: str) -> list[Change]:
        """How a drum's bleed changed, in every mic in which that is known."""
        mine = self._changes.get((take, "bleed"), ())
        return [c for c in mine if c.drum == drum and c.value is not None]

    def move(self, take: int, *, file: str | None = None, drum: str | None = None) -> Move | None:
        """Where a mic or a drum stands."""
        for m in self.comparison.moves:
            mine = (m.what, m.file) == ("mic", file) if file is not None else (m.what, m.drum) == ("drum", drum)
            if m.take == take and mine:
                return m
        return None

    def switches(self, take: int, file: str) -> list[Switch]:
        """What of a channel is another thing now."""
        return [s for s in self.comparison.switches if (s.take, s.file) == (take, file)]

    # ------------------------------------------------------------ numbers
    def figure(self, value: float | None, error: float | None, said: Word | None, decimals: int) -> str:
        """ "+2.4 ±0.8", "same ±0.4", "+3.1 ±3.0 ?" or a dash."""
        if value is None or error is None or said is None:
            return "–"
        off = numbers.fixed(error, decimals)
        if said == "same":
            return self.words("compare.full_same", error=off)
        key = "compare.full_changed" if said == "changed" else "compare.full_unclear"
        return self.words(key, value=numbers.fixed(value, decimals, sign=True), error=off)
