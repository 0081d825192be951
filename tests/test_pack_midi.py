"""The tempo map, read back by a parser of its own that follows the published format and knows nothing of the writer."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pytest

from kitproof.model import Section
from kitproof.observed.timing import Grid
from kitproof.pack.midi import TICKS_PER_BEAT, TempoMap, tempo_map


@dataclass
class Midi:
    """What a file says. Source: Standard MIDI Files 1.0 (RP-001)."""

    division: int
    length_ticks: int = 0
    tempos: list[tuple[int, int]] = field(default_factory=list)  # tick, microseconds a quarter
    metres: list[tuple[int, int, int]] = field(default_factory=list)  # tick, numerator, denominator
    markers: list[tuple[int, str]] = field(default_factory=list)
    name: str = ""

    def seconds(self, tick: float) -> float:
        """The time of a tick; 120 quarters a minute until a tempo says otherwise."""
        time_us, at, us = 0.0, 0, 500_000
        for start, tempo in self.tempos:
            if start >= tick:
                break
            time_us += (start - at) * us / self.division
            at, us = start, tempo
        return (time_us + (tick - at) * us / self.division) / 1e6


def parse(content: bytes) -> Midi:
    """Read a file of format 0 or 1 with one track; anything that the format forbids is an error."""
    assert content[:8] == b"MThd\x00\x00\x00\x06"
    kind, n_tracks, division = (int.from_bytes(content[i : i + 2], "big") for i in (8, 10, 12))
    assert (kind in (0, 1), n_tracks, division & 0x8000) == (True, 1, 0)
    assert content[14:18] == b"MTrk"
    track = content[22:]
    assert int.from_bytes(content[18:22], "big") == len(track)
    midi, at, tick = Midi(division), 0, 0

    def quantity() -> int:
        nonlocal at
        value = 0
        for _ in range(4):  # four bytes at most
            byte = track[at]
            at += 1
            value = value << 7 | byte & 0x7F
            if byte < 0x80:
                return value
        raise AssertionError("a quantity of more than four bytes")

    while True:
        tick += quantity()
        assert track[at] == 0xFF  # nothing but meta events in a tempo map
        number = track[at + 1]
        at += 2
        length = quantity()
        data = track[at : at + length]
        at += length
        if number == 0x2F:
            assert (length, at) == (0, len(track))  # the end is the end
            midi.length_ticks = tick
            return midi
        if number == 0x51:
            assert length == 3
            midi.tempos.append((tick, int.from_bytes(data, "big")))
        elif number == 0x58:
            assert length == 4
            midi.metres.append((tick, data[0], 1 << data[1]))
        elif number == 0x06:
            midi.markers.append((tick, data.decode("utf-8")))
        elif number == 0x03:
            midi.name = data.decode("utf-8")


def grid(beats: np.ndarray, tempo_bpm: float, *, per_bar: int | None = 4, first_bar: int | None = 0) -> Grid:
    """A grid with beats at these times."""
    unknown = dict.fromkeys(("beats_per_bar", "first_bar", "bar_source"), "no bars") if per_bar is None else {}
    return Grid(
        source="strokes", tempo_bpm=tempo_bpm, tempo_spread_bpm=0.0, beats_s=tuple(beats.tolist()), confidence=0.9,
        beats_per_bar=per_bar, first_bar=first_bar, bar_source=None if per_bar is None else "strokes",
        unmeasured=unknown,
    )  # fmt: skip


def played(seed: int, minutes: float = 5.0) -> np.ndarray:
    """Five minutes that speed up from 100 to 112, each beat up to 15 ms early or late."""
    rng = np.random.default_rng(seed)
    gaps = 60.0 / np.linspace(100.0, 112.0, round(minutes * 106))
    return np.asarray(1.3 + np.cumsum(gaps) + rng.uniform(-0.015, 0.015, len(gaps)))


def beat_ticks(found: TempoMap, n_beats: int, n_skipped: int = 0) -> np.ndarray:
    return (found.n_lead_beats + np.arange(n_beats - n_skipped)) * TICKS_PER_BEAT


@pytest.mark.parametrize("seed", [1, 2])
def test_every_beat_is_where_it_was_played(seed: int) -> None:
    """Within 0.3 ms over five minutes of uneven playing: the tolerance, and half a microsecond of rounding a beat."""
    beats = played(seed)
    found = tempo_map(grid(beats, 106.0), (), "Tidewall")
    midi = parse(found.content)
    times = [midi.seconds(tick) for tick in beat_ticks(found, len(beats))]

    assert np.max(np.abs(np.array(times) - beats)) < 0.0003
    assert midi.length_ticks == beat_ticks(found, len(beats))[-1]
    assert midi.seconds(0) == 0.0


@pytest.mark.parametrize("tempo_bpm", [61.7, 104.0, 173.3])
def test_a_click_is_not_a_tempo_a_beat(tempo_bpm: float) -> None:
    """Ten minutes whose beats are known to 0.1 ms: the same tempo all along, within 0.3 ms to the last."""
    beats = np.round(1.2528 + np.arange(round(10 * tempo_bpm)) * 60.0 / tempo_bpm, 4)
    found = tempo_map(grid(beats, tempo_bpm), (), "Tidewall")
    midi = parse(found.content)

    steady = [us for _, us in midi.tempos[1:]]  # the first is the lead's

    assert len(steady) <= 8  # whole microseconds a beat leave something over, which another tempo makes up for
    assert max(steady) - min(steady) <= 3
    assert abs(midi.seconds(midi.length_ticks) - beats[-1]) < 0.0003


def test_bars_and_sections_are_markers() -> None:
    """Each at its bar's first beat, and every bar line of the map from the song's first on is one of the song."""
    beats = 2.0 + np.arange(40) * 0.5
    found = tempo_map(grid(beats, 120.0, first_bar=2), (Section(name="Strophe é", bar=3),), "Tidewall – 1")
    midi = parse(found.content)
    at = {text: midi.seconds(tick) for tick, text in midi.markers}

    assert midi.name == "Tidewall – 1"
    assert at["Bar 1"] == pytest.approx(3.0, abs=1e-6)  # the third beat
    assert at["Bar 3: Strophe é"] == pytest.approx(7.0, abs=1e-6)
    assert [text.split(":")[0] for _, text in midi.markers[1:]] == [f"Bar {n}" for n in range(1, 11)]
    assert midi.metres == [(0, 2, 4), (2 * TICKS_PER_BEAT, 4, 4)]  # four beats of lead and two: a half bar, then bars
    assert all((tick - 2 * TICKS_PER_BEAT) % (4 * TICKS_PER_BEAT) == 0 for tick, _ in midi.markers[1:])


def test_three_four_and_no_bars() -> None:
    """The time signature is the take's; where bars are not known there is none, and no bar is named."""
    beats = np.arange(30) * 0.4 + 1.2
    waltz = parse(tempo_map(grid(beats, 150.0, per_bar=3), (), "x").content)
    free = parse(tempo_map(grid(beats, 150.0, per_bar=None, first_bar=None), (), "x").content)

    assert waltz.metres == [(0, 3, 4)]
    assert free.metres == []
    assert [text for _, text in free.markers] == ["Start of the files"]


@pytest.mark.parametrize("start_s", [0.0, 0.02, 0.2, 0.3, 0.74, 7.9])
def test_wherever_the_first_beat_lies_the_second_is_exact(start_s: float) -> None:
    """Also at the very start of the files; the lead is never a tempo outside 60 to 300 at a song of 120."""
    beats = start_s + np.arange(50) * 0.5
    midi = parse(tempo_map(grid(beats, 120.0), (), "x").content)
    quarters = np.array([midi.seconds(tick) for tick in range(0, midi.length_ticks + 1, TICKS_PER_BEAT)])

    assert all(np.min(np.abs(quarters - beat)) < 0.0003 for beat in beats[1:])
    assert all(200_000 <= us <= 1_000_000 for _, us in midi.tempos)
