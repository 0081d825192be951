"""All finer checks, in the order they are asked, each a line.

PASS_OBSERVERS    see every sample of a channel, in the one pass that all meters share: called with the rate and
                  the channel's key, they return a meter (views.PassObserver)
CHANNEL_OBSERVERS read around the strokes of one channel, once these are known (views.ChannelView)
TAKE_OBSERVERS    put the channels together (views.TakeView)

One that fails costs its own figures only: the failure is named and the others go on.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path

from kitproof.ingest.audiofile import SpanReader
from kitproof.measure.air import find_air
from kitproof.measure.breaks import BreakMeter, lone_breaks
from kitproof.measure.drumsound import observe_drum_sound
from kitproof.measure.gainsteps import gain_steps
from kitproof.measure.grid import find_grid
from kitproof.measure.hatdecay import observe_hat_decay
from kitproof.measure.identity import voices
from kitproof.measure.identity_lineup import line_ups
from kitproof.measure.interference_ends import EndsMeter
from kitproof.measure.interference_lone import find_lone_sounds
from kitproof.measure.interference_pulses import find_phone_bursts
from kitproof.measure.interference_rests import find_late_sounds, find_rest_pulses
from kitproof.measure.interference_tones import find_steady_lines
from kitproof.measure.limiting import HeightMeter, held_back
from kitproof.measure.lowcut import observe_lows
from kitproof.measure.origin import observe_origin
from kitproof.measure.plan import plan_kit
from kitproof.measure.processed import closings, gates
from kitproof.measure.room_decay import hear_decay, room_decays
from kitproof.measure.room_reflections import find_reflections
from kitproof.measure.routedcopy import find_routed_copies
from kitproof.measure.skips import skips
from kitproof.measure.snareshare import observe_wire_share
from kitproof.measure.spectra import hear_spectra
from kitproof.measure.timejumps import time_jumps
from kitproof.measure.timing import measure_timing
from kitproof.measure.tuning import observe_tuning
from kitproof.measure.views import ChannelBrief, ChannelView, PassObserver, TakeView
from kitproof.measure.wash import observe_wash
from kitproof.measure.wires import observe_wires

PASS_OBSERVERS: tuple[Callable[[int, str], PassObserver], ...] = (BreakMeter, EndsMeter, HeightMeter)
CHANNEL_OBSERVERS: tuple[Callable[[ChannelView], Iterable[object]], ...] = (
    observe_origin,
    observe_tuning,
    find_steady_lines,
    hear_decay,
    find_reflections,
    find_routed_copies,
    find_air,
    hear_spectra,
)
TAKE_OBSERVERS: tuple[Callable[[TakeView], Iterable[object]], ...] = (
    gain_steps,
    skips,
    lone_breaks,
    gates,
    closings,
    held_back,
    find_grid,
    measure_timing,
    time_jumps,
    find_phone_bursts,
    find_lone_sounds,
    find_late_sounds,
    find_rest_pulses,
    plan_kit,
    voices,
    line_ups,
    observe_wires,
    observe_wire_share,
    observe_drum_sound,
    observe_hat_decay,
    observe_lows,
    room_decays,
    observe_wash,
)


def observe_channel(path: Path, brief: ChannelBrief) -> tuple[list[object], list[Exception]]:
    """One job: the file opened once for all observers of a channel; their records, and what failed."""
    records: list[object] = []
    failed: list[Exception] = []
    with SpanReader(path) as reader:
        view = ChannelView(brief=brief, reader=reader)
        for observer in CHANNEL_OBSERVERS:
            try:
                records += observer(view)
            except Exception as error:
                error.add_note(f"{brief.channel.file}: {observer.__name__}")
                failed.append(error)
    return records, failed
