"""The tempo map as a Standard MIDI File: tempo, bars and sections, so that a session's grid follows the playing.

Time 0 of the map is the first sample of the files. A beat is written as a quarter note.

Source
------
Standard MIDI Files 1.0 (MIDI Association, RP-001): chunks, variable-length quantities, meta events 03 track name,
06 marker, 2F end of track, 51 tempo, 58 time signature.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from kitproof.model import Section
from kitproof.observed.timing import Grid

TICKS_PER_BEAT = 960
TOLERANCE_S = 0.00025  # a beat may lie that far off before the tempo changes: one tempo for a click, not one a beat
_NAME, _MARKER, _END, _TEMPO, _METRE = 0x03, 0x06, 0x2F, 0x51, 0x58
_LONGEST_US = (1 << 24) - 1  # of a beat: three bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class TempoMap:
    """The file, and what one should know about it."""

    content: bytes
    n_tempos: int
    n_lead_beats: int  # before the first beat that was measured
    first_bar_tick: int | None  # where the song's bar 1 begins


def tempo_map(grid: Grid, sections: Sequence[Section], name: str) -> TempoMap:
    """The map of one take.

    From the first sample to the first beat that was measured there are as many beats as come nearest to the song's
    tempo. Where bars are known, the first bar of the map is shortened so that all others are bars of the song.
    """
    times, first = _with_lead(grid)
    events = [(0, _meta(_NAME, _text(name))), (0, _meta(_MARKER, b"Start of the files"))]
    tempos = _tempos(times)
    events += [(index * TICKS_PER_BEAT, _meta(_TEMPO, us.to_bytes(3, "big"))) for index, us in tempos]
    bar_1 = None
    if grid.beats_per_bar and grid.first_bar is not None:
        bar_1 = first + grid.first_bar
        events += _bars(len(times), bar_1, grid.beats_per_bar, {s.bar: s.name for s in sections})
    content = _file(sorted(events, key=lambda event: event[0]), (len(times) - 1) * TICKS_PER_BEAT)
    return TempoMap(
        content=content, n_tempos=len(tempos), n_lead_beats=max(first, 0),
        first_bar_tick=None if bar_1 is None else bar_1 * TICKS_PER_BEAT,
    )  # fmt: skip


def _with_lead(grid: Grid) -> tuple[list[float], int]:
    """The time of every beat of the map, from 0, and where the grid's first beat stands among them.

    A first beat so near the start that no beat fits before it is taken for the start itself.
    """
    beats = list(grid.beats_s)
    beat_s = 60.0 / grid.tempo_bpm
    skipped = 0
    while skipped < len(beats) - 2 and 0.0 < beats[skipped] < beat_s / 2.0:
        skipped += 1
    kept = beats[skipped:]
    n_lead = 0 if kept[0] == 0.0 else max(1, round(kept[0] / beat_s))
    lead = [kept[0] * k / n_lead for k in range(n_lead)]
    return lead + kept, n_lead - skipped


def _tempos(times: Sequence[float]) -> list[tuple[int, int]]:
    """(beat, microseconds a beat) wherever the tempo changes; no beat is off by more than the tolerance.

    What a rounded tempo leaves over is made up for by the next one, so nothing adds up.
    """
    at_us = np.asarray(times) * 1e6
    found: list[tuple[int, int]] = []
    start, start_us = 0, 0
    while start < len(times) - 1:
        end, us = start + 1, _per_beat(at_us[start + 1] - start_us, 1)
        while end + 1 < len(times):
            wider = _per_beat(at_us[end + 1] - start_us, end + 1 - start)
            planned = start_us + wider * np.arange(1, end + 2 - start)
            if np.max(np.abs(planned - at_us[start + 1 : end + 2])) > TOLERANCE_S * 1e6:
                break
            end, us = end + 1, wider
        found.append((start, us))
        start, start_us = end, start_us + us * (end - start)
    return found


def _per_beat(span_us: float, n: int) -> int:
    return min(max(round(span_us / n), 1), _LONGEST_US)


def _bars(n_beats: int, bar_1: int, per_bar: int, names: dict[int, str]) -> Iterable[tuple[int, bytes]]:
    """Time signatures, and a marker at every bar of the song."""
    short = bar_1 % per_bar
    if short:
        yield 0, _metre(short)
    yield short * TICKS_PER_BEAT, _metre(per_bar)
    for index in range(short, n_beats, per_bar):
        bar = (index - bar_1) // per_bar + 1
        if bar >= 1:
            text = f"Bar {bar}: {names[bar]}" if bar in names else f"Bar {bar}"
            yield index * TICKS_PER_BEAT, _meta(_MARKER, _text(text))


def _metre(n: int) -> bytes:
    """n quarters; a click each quarter (24 clocks), eight 32nds to a quarter, as the standard's example has it."""
    return _meta(_METRE, bytes((n, 2, 24, 8)))


def _text(text: str) -> bytes:
    return text.encode("utf-8", "replace")


def _meta(kind: int, data: bytes) -> bytes:
    return bytes((0xFF, kind)) + _quantity(len(data)) + data


def _quantity(n: int) -> bytes:
    """A variable-length quantity: seven bits a byte, all but the last with the top bit set."""
    out = [n & 0x7F]
    while n := n >> 7:
        out.append(n & 0x7F | 0x80)
    return bytes(reversed(out))


def _file(events: Sequence[tuple[int, bytes]], end_tick: int) -> bytes:
    """A file of format 0: one track, which is where a tempo map belongs."""
    track = bytearray()
    at = 0
    for tick, event in [*events, (end_tick, _meta(_END, b""))]:
        track += _quantity(tick - at) + event
        at = tick
    head = b"MThd" + (6).to_bytes(4, "big") + bytes((0, 0, 0, 1)) + TICKS_PER_BEAT.to_bytes(2, "big")
    return head + b"MTrk" + len(track).to_bytes(4, "big") + bytes(track)
