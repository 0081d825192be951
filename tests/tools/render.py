"""A take from single hits: where each hit was put, and hence everything a measurement may be held against.

Because every mic heard every hit, the sum of hits at chosen times is a take with the bleed, the arrivals and the
polarities of that kit in that room. What such a take lacks: no two strokes of a drummer are alike, here a
recorded hit comes back; drums do not move one another; and the noise within a recording is played along.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import soundfile as sf
from grooves import LET_RING_S, Groove, Played, play
from hitkit import HitKit, HitName, kit_arrivals_ms
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft, rfftfreq

from kitproof.roles import DRUM_OF_ROLE, OWN_MIC_ORDER
from kitproof.units import amplitude_to_db, db_to_amplitude

Signal = NDArray[np.float64]

PEAK_DBFS = (-12.0, -6.0)  # where an engineer leaves the loudest peak of a channel
RANGE_DB = 30.0  # between the softest stroke that means anything and the hardest
FADER_DB = (-9.0, 3.0)  # how far a recorded hit may be turned down or up to be as loud as the stroke is played
NEAREST_HITS = 3  # recorded hits that share the work at one strength
CHOKE_S = 0.012  # closing hats: time constant of the fade
MIDDLE, MIDDLE_SPAN_DB = (0.45, 0.55), 3.0  # a median with more than this around it says little
LEAST_HITS = 4  # of either drum, for a ratio of medians that means something
# what is struck instead, if the kit has no such thing
INSTEAD = {
    "hi-hat-open": ("hi-hat",), "hi-hat": ("ride",), "ride": ("hi-hat",),
    "china": ("crash-right", "crash-left"), "crash-right": ("crash-left", "china"),
    "crash-left": ("crash-right", "china"), "rack-tom-3": ("rack-tom-2", "rack-tom-1", "floor-tom"),
    "rack-tom-2": ("rack-tom-1", "floor-tom"), "rack-tom-1": ("rack-tom-2", "floor-tom"),
    "floor-tom": ("rack-tom-2", "rack-tom-1"),
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Alteration:
    """What is done to channels after recording, so that it can be looked for."""

    shift_ms: Mapping[str, float] = field(default_factory=dict)  # by role, positive: later
    flipped: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Strike:
    """One recorded hit, put into the take."""

    start: int  # sample at which the recording starts
    hit: HitName
    gain: float
    choked_at: int | None = None  # sample at which the hats close


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What is true of a rendered take. Times from the start of the files; keys are drums and roles."""

    name: str
    rate_hz: int
    files: Mapping[str, str]  # role -> file
    own: Mapping[str, str]  # drum -> its own mic
    hits_s: Mapping[str, tuple[float, ...]]  # by drum, "unmiked" for all that has no mic of its own
    bleed_db: Mapping[tuple[str, str], float]  # (drum, role of another drum's close mic)
    arrival_ms: Mapping[tuple[str, str], float]  # (drum, role), after the drum's own mic
    peak_dbfs: Mapping[str, float]
    noise_dbfs: float
    alteration: Alteration


def render(
    kit: HitKit,
    groove: Groove,
    *,
    seed: int,
    folder: Path,
    noise_dbfs: float,
    alteration: Alteration | None = None,
    spread_db: float = 0.0,
) -> Truth:
    """Write one take, 24-bit WAV, into `folder`; return what is true of it.

    The same seed gives the same performance and the same noise, whatever `alteration` does to the channels.
    `spread_db` : standard deviation by which strokes of one strength differ, which otherwise end at one height
    """
    alteration = alteration or Alteration()
    strikes = strike(kit, play(groove, np.random.default_rng([seed, 1])), np.random.default_rng([seed, 2]), spread_db)
    last = max((s.start for s in strikes), default=0)
    n = last + round(LET_RING_S * kit.rate_hz)
    folder.mkdir(parents=True)
    peaks: dict[str, float] = {}
    files: dict[str, str] = {}
    for index, role in enumerate(kit.roles):
        rng = np.random.default_rng([seed, 3, index])
        x = mix(kit, role, strikes, n)
        x *= _gain(x, rng)
        x += room_tone(n, noise_dbfs, kit.rate_hz, rng)
        if role in alteration.shift_ms:
            x = delayed(x, alteration.shift_ms[role] * 1e-3 * kit.rate_hz)
        if role in alteration.flipped:
            x = -x
        files[role] = f"{index + 1:02d} {role}.wav"
        sf.write(folder / files[role], x, kit.rate_hz, subtype="PCM_24")
        peaks[role] = float(20.0 * np.log10(np.max(np.abs(x))))
    (folder / "take.toml").write_text(_notes(files), encoding="utf-8")
    return Truth(
        name=folder.name,
        rate_hz=kit.rate_hz,
        files=files,
        own={drum: mic for drum in OWN_MIC_ORDER if (mic := kit.own_role(drum))},
        hits_s=_hit_times(kit, strikes),
        bleed_db=_bleed(kit, strikes),
        arrival_ms=kit_arrivals_ms(kit),
        peak_dbfs=peaks,
        noise_dbfs=noise_dbfs,
        alteration=alteration,
    )


# ------------------------------------------------------------------------------------------ playing
def strike(
    kit: HitKit, played: Sequence[Played], rng: np.random.Generator, spread_db: float = 0.0
) -> tuple[Strike, ...]:
    """Choose a recorded hit and a gain for each stroke; what the kit lacks is replaced or left out."""
    strikes: list[Strike] = []
    ringing: int | None = None  # the open hat that the next stroke on the hat will close
    for stroke in played:
        instrument = next((i for i in (stroke.instrument, *INSTEAD.get(stroke.instrument, ())) if i in kit.numbers), "")
        if not instrument:
            continue
        hit, gain = _choose(kit, instrument, stroke.strength, rng)
        if spread_db:
            gain *= db_to_amplitude(float(rng.normal(0.0, spread_db)))
        # The recording's own silence before the hit is made up for, so that the hit sounds when it was played.
        start = max(round((stroke.time_s - kit.facts[hit].time_s) * kit.rate_hz), 0)
        if instrument.startswith("hi-hat"):
            if ringing is not None:
                before = strikes[ringing]
                strikes[ringing] = Strike(start=before.start, hit=before.hit, gain=before.gain,
                                          choked_at=round(stroke.time_s * kit.rate_hz))  # fmt: skip
            ringing = len(strikes) if instrument == "hi-hat-open" else None
        strikes.append(Strike(start=start, hit=hit, gain=gain))
    return tuple(strikes)


def _choose(kit: HitKit, instrument: str, strength: float, rng: np.random.Generator) -> tuple[HitName, float]:
    """One of the recorded hits nearest in level, turned up or down a little to be as loud as wanted."""
    names = [(instrument, number) for number in kit.numbers[instrument]]
    loudest = max(kit.facts[name].peak for name in names)
    level_db = {name: amplitude_to_db(kit.facts[name].peak / loudest) if loudest else None for name in names}
    wanted_db = -RANGE_DB * (1.0 - strength)
    heard = [name for name in names if level_db[name] is not None] or names
    near = sorted(heard, key=lambda name: abs((level_db[name] or 0.0) - wanted_db))[:NEAREST_HITS]
    hit = near[int(rng.integers(len(near)))]
    return hit, db_to_amplitude(float(np.clip(wanted_db - (level_db[hit] or 0.0), *FADER_DB)))


# ---------------------------------------------------------------------------------------- recording
def mix(kit: HitKit, role: str, strikes: Sequence[Strike], n: int) -> Signal:
    """All strikes as one mic hears them, (n,)."""
    hits = kit.hits(role)
    x = np.zeros(n)
    for s in strikes:
        heard = hits[s.hit][: n - s.start] * np.float32(s.gain)
        if s.choked_at is not None and (late := s.choked_at - s.start) < len(heard):
            late = max(late, 0)
            heard[late:] *= np.exp(-np.arange(len(heard) - late) / (CHOKE_S * kit.rate_hz))
        x[s.start : s.start + len(heard)] += heard
    return x


def _gain(x: Signal, rng: np.random.Generator) -> float:
    peak = float(np.max(np.abs(x), initial=0.0))
    return db_to_amplitude(float(rng.uniform(*PEAK_DBFS))) / peak if peak else 1.0


def room_tone(n: int, rms_dbfs: float, rate_hz: int, rng: np.random.Generator) -> Signal:
    """Noise of exactly this RMS, (n,): level up to 300 Hz, then falling by 3 dB an octave; nothing below 20 Hz."""
    padded = next_fast_len(n, real=True)
    hz = rfftfreq(padded, 1.0 / rate_hz)
    shape = np.where(hz < 20.0, 0.0, 1.0 / np.sqrt(1.0 + hz / 300.0))
    x = irfft(rfft(rng.standard_normal(padded)) * shape, padded)[:n]
    return np.asarray(x * (db_to_amplitude(rms_dbfs) / np.sqrt(np.mean(x**2))))


def delayed(x: Signal, by_samples: float) -> Signal:
    """The channel later by any fraction of a sample, (n,), by turning the phases; silence comes in."""
    n = next_fast_len(len(x) + int(abs(by_samples)) + 4096, real=True)
    turn = np.exp(-2j * np.pi * rfftfreq(n) * by_samples)
    return np.asarray(irfft(rfft(x, n) * turn, n)[: len(x)])


def _notes(files: Mapping[str, str]) -> str:
    """take.toml with the roles alone: nothing that would help a measurement."""
    entries = [f'[[channel]]\nfile = "{file}"\nrole = "{role}"\n' for role, file in files.items()]
    return "\n".join(entries)


# -------------------------------------------------------------------------------------------- truth
def _hit_times(kit: HitKit, strikes: Sequence[Strike]) -> dict[str, tuple[float, ...]]:
    times: dict[str, list[float]] = defaultdict(list)
    for s in strikes:
        hit = kit.facts[s.hit]
        times[hit.drum].append(s.start / kit.rate_hz + hit.time_s)
    return {drum: tuple(sorted(found)) for drum, found in times.items()}


def _bleed(kit: HitKit, strikes: Sequence[Strike]) -> dict[tuple[str, str], float]:
    """10 log10 of median energy over that of the mic's own drum, for every close mic and other miked drum."""
    energies: dict[tuple[str, str], list[float]] = defaultdict(list)
    for s in strikes:
        hit = kit.facts[s.hit]
        for role, energy in hit.energy.items():
            energies[hit.drum, role].append(energy * s.gain**2)
    found = {}
    for (drum, role), foreign in energies.items():
        own_drum = DRUM_OF_ROLE.get(role)
        own = energies.get((own_drum or "", role), [])
        if drum in (own_drum, "unmiked") or min(len(own), len(foreign)) < LEAST_HITS:
            continue
        if _well_defined(own) and _well_defined(foreign):
            found[drum, role] = float(10.0 * np.log10(np.median(foreign) / np.median(own)))
    return found


def _well_defined(energies: Sequence[float]) -> bool:
    """False where the median lies in the gap between soft and hard strokes, and one stroke more would move it far."""
    low, high = np.quantile(energies, MIDDLE)
    return bool(low > 0.0 and 10.0 * np.log10(high / low) <= MIDDLE_SPAN_DB)
