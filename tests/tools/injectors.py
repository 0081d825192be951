"""What goes wrong in a session, done to a clean take: the records, and the faults that a level shows.

An injector is a pure function (scene, role, amount, generator) -> Damage. Its amount is in the fault's natural unit;
injectors_list.py says in which, and how much is a full dose. Stems are (n,), full scale 1.0; times in seconds from
the start of the files.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from render import delayed, room_tone
from scipy.signal import butter, lfilter, sosfilt

from kitproof.roles import DRUM_OF_ROLE
from kitproof.units import db_to_amplitude

Signal = NDArray[np.float64]
FULL_SCALE = 1.0 - 2.0**-23


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """A clean take in memory, with what is true of it."""

    rate_hz: int
    stems: Mapping[str, Signal]  # by role; the click is not among them
    hits_s: Mapping[str, tuple[float, ...]]  # by drum
    arrival_ms: Mapping[tuple[str, str], float]  # (drum, role), after the drum's own mic
    click: Signal | None = None  # what the headphones play
    foreign: Callable[[str], Signal] | None = None  # the same channel of another performance

    @property
    def n(self) -> int:
        """Frames of the take."""
        return len(next(iter(self.stems.values())))

    def own_hits_s(self, role: str) -> tuple[float, ...]:
        """Strokes of the channel's own drum, of every drum for a distant mic."""
        drum = DRUM_OF_ROLE.get(role)
        return self.hits_s.get(drum, ()) if drum else tuple(sorted(t for times in self.hits_s.values() for t in times))


@dataclass(frozen=True, slots=True, kw_only=True)
class Damage:
    """What is written in place of the clean files, and where it has to be noticed."""

    roles: tuple[str, ...]  # a finding on any of them counts as found
    stems: Mapping[str, Signal] = field(default_factory=dict)
    value: float | None = None  # the figure the finding should give
    rate_hz: Mapping[str, int] = field(default_factory=dict)  # where another than the take's
    subtype: Mapping[str, str] = field(default_factory=dict)  # where another than PCM_24
    spoil: Mapping[str, Callable[[Path], None]] = field(default_factory=dict)  # done to the written file


Injector = Callable[[Scene, str, float, np.random.Generator], Damage]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One row of the battery: an injector, the codes that name it rightly, and how much is a full dose."""

    name: str
    codes: tuple[str, ...]  # any of them will do; the first is its row in the table
    inject: Injector
    full: float
    unit: str
    roles: tuple[str, ...]  # tried on each that the kit has
    value_unit: str = ""  # of the finding's value, if there is a truth to hold it against
    graded: bool = True  # False: it is there or it is not
    click: Literal["", "stem", "heard"] = ""  # a click file beside the mics, or only the click in them and its tempo
    shared: bool = True  # leaves the other channels alone, so it may be put beside others
    line_check: bool = True  # can be known from a few single strokes


def peak(x: Signal) -> float:
    """Largest magnitude, at least a tiny one."""
    return max(float(np.max(np.abs(x), initial=0.0)), 1e-9)


def changed(role: str, x: Signal, value: float | None = None) -> Damage:
    """One channel replaced."""
    return Damage(roles=(role,), stems={role: x}, value=value)


def gain_course(level_db: Signal, step: int, n: int) -> Signal:
    """Gain for n samples from values in dB, one every `step` samples."""
    at = np.minimum(np.arange(n) / step, len(level_db) - 1)
    return np.asarray(10.0 ** (np.interp(at, np.arange(len(level_db)), level_db) / 20.0))


def block_peaks_db(x: Signal, step: int) -> Signal:
    """(blocks,) peak of every `step` samples, dB."""
    padded = np.pad(np.abs(x), (0, -len(x) % step))
    return np.asarray(20.0 * np.log10(padded.reshape(-1, step).max(axis=1) + 1e-9))


# --------------------------------------------------------------------------------------------- overload
CEILING_DBFS = -4.0  # where an input stage ends, below the converter's full scale
COUPLING_HZ = 1.5  # AC coupling behind it tilts flat tops a little
CONVERTER_DBFS = -104.0


def clip_digital(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """The loudest peak would stand `amount` dB over full scale."""
    x = scene.stems[role]
    return changed(role, np.clip(x * db_to_amplitude(amount) / peak(x), -1.0, FULL_SCALE), 0.0)


def clip_both(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """An input stage that ends at -4 dBFS, a little earlier on the negative side, driven `amount` dB too hard."""
    x = scene.stems[role]
    y = np.clip(x * db_to_amplitude(CEILING_DBFS + amount) / peak(x), -0.98 * _ceiling(), _ceiling())
    return changed(role, _converted(y, scene, rng), CEILING_DBFS)


def clip_one_side(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """The same on the side of the loudest peak only: a weak supply, or a stage off its middle."""
    x = scene.stems[role]
    y = x * db_to_amplitude(CEILING_DBFS + amount) / peak(x)
    upper = float(y.max()) >= float(-y.min())
    return changed(role, _converted(np.minimum(y, _ceiling()) if upper else np.maximum(y, -_ceiling()), scene, rng),
                   CEILING_DBFS)  # fmt: skip


def _ceiling() -> float:
    return db_to_amplitude(CEILING_DBFS)


def _converted(x: Signal, scene: Scene, rng: np.random.Generator) -> Signal:
    pole = float(np.exp(-2.0 * np.pi * COUPLING_HZ / scene.rate_hz))
    return np.asarray(lfilter([1.0, -1.0], [1.0, -pole], x)
                      + db_to_amplitude(CONVERTER_DBFS) * rng.standard_normal(len(x)))  # fmt: skip


# ------------------------------------------------------------------------------------------------ gain
def dc_offset(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """A constant `amount` of full scale."""
    return changed(role, scene.stems[role] + amount, amount)


def low_level(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """Recorded `amount` times too soft, over the converter's own noise."""
    x = scene.stems[role] / amount
    return changed(role, x + db_to_amplitude(-98.0) * rng.standard_normal(len(x)), 20.0 * np.log10(peak(x)))


def dead(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """A lead that ends nowhere: noise at -74 dBFS."""
    return changed(role, room_tone(scene.n, -74.0, scene.rate_hz, rng))


def dead_with_crosstalk(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """The same with 60 dB of what the neighbour hears, through the cable loom."""
    names = list(scene.stems)
    neighbour = names[names.index(role) - 1]
    return changed(role, room_tone(scene.n, -80.0, scene.rate_hz, rng) + 1e-3 * scene.stems[neighbour])


def gain_step(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """The preamp turned by `amount` dB within a tenth of a second, half-way: down, so that nothing clips."""
    ramp = np.clip((np.arange(scene.n) - 0.5 * scene.n) / (0.1 * scene.rate_hz), 0.0, 1.0)
    return changed(role, scene.stems[role] * 10.0 ** (-amount * ramp / 20.0), -amount)


def low_cut(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """A low cut left in: 18 dB an octave under `amount` Hz."""
    sos = butter(3, amount, "high", fs=scene.rate_hz, output="sos")
    x = np.asarray(sosfilt(sos, scene.stems[role]))
    return changed(role, x * min(1.0, 0.98 / peak(x)))


def limited(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """A limiter that takes `amount` dB off the loudest stroke and comes back in 80 ms; its peak made up again."""
    x = scene.stems[role]
    step = max(scene.rate_hz // 2000, 1)
    level_db = block_peaks_db(x, step)
    wanted = np.minimum(0.0, 20.0 * np.log10(peak(x)) - amount - level_db)
    ahead = np.minimum(np.minimum(wanted, np.append(wanted[1:], 0.0)), np.append(wanted[2:], (0.0, 0.0)))
    back = float(np.exp(-step / (0.080 * scene.rate_hz)))
    y = x * gain_course(_held(ahead, back), step, scene.n)
    return changed(role, y * peak(x) / peak(y))


def gated(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """A gate that closes by `amount` dB once the sound is 14 dB under the usual stroke: 40 ms hold, 30 ms fall."""
    x = scene.stems[role]
    step = max(scene.rate_hz // 1000, 1)
    level_db = block_peaks_db(x, step)
    at = [round(t * scene.rate_hz / step) for t in scene.own_hits_s(role)]
    strokes = [float(level_db[a : a + 20].max()) for a in at if a < len(level_db)] or [float(level_db.max())]
    open_ = level_db > float(np.median(strokes)) - 14.0
    last = np.maximum.accumulate(np.where(open_, np.arange(len(open_)), -10_000))
    since_ms = (np.arange(len(open_)) - last) * 1000.0 * step / scene.rate_hz
    return changed(role, x * gain_course(-amount * np.clip((since_ms - 40.0) / 30.0, 0.0, 1.0), step, scene.n))


def unpowered(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """A condenser without its supply: `amount` dB down, thin, and fading for a minute; the preamp's own noise stays."""
    fade_s = 20.0
    fading = 0.3 + 0.7 * np.exp(-np.arange(scene.n) / (fade_s * scene.rate_hz))
    thin = sosfilt(butter(1, 400.0, "high", fs=scene.rate_hz, output="sos"), scene.stems[role] * fading)
    return changed(role, thin * db_to_amplitude(-amount) + room_tone(scene.n, -88.0, scene.rate_hz, rng))


def _held(wanted_db: Signal, back: float) -> Signal:
    """Falls at once, comes back exponentially."""
    out, now = np.empty_like(wanted_db), 0.0
    for i, w in enumerate(wanted_db.tolist()):
        now = min(w, now * back)
        out[i] = now
    return out


# ------------------------------------------------------------------------------------------------ identity
def polarity(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """A lead with two pins exchanged."""
    return changed(role, -scene.stems[role])


def duplicate(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """Two inputs of one source."""
    return _copy(scene, role, scene.stems[_sibling(scene, role)].copy())


def duplicate_shifted(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """The same through another path: 4 dB softer and 37 samples late."""
    x = scene.stems[_sibling(scene, role)]
    return _copy(scene, role, 0.63 * np.concatenate([np.zeros(37), x])[: scene.n])


def duplicate_inverted(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """The same inverted and 3 dB louder or softer, with a converter's noise of its own."""
    y = -0.7 * scene.stems[_sibling(scene, role)]
    return _copy(scene, role, y + db_to_amplitude(CONVERTER_DBFS) * rng.standard_normal(len(y)))


def mislabelled(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """Two leads of close mics exchanged."""
    other = next(r for r in ("floor-tom", "rack-tom-1", "kick") if r in scene.stems and r != role)
    return Damage(roles=(role, other), stems={role: scene.stems[other], other: scene.stems[role]})


def sides_swapped(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """Left and right of a pair exchanged."""
    pair = (f"{role.rsplit('-', 1)[0]}-left", f"{role.rsplit('-', 1)[0]}-right")
    every = tuple(r for r in scene.stems if r.endswith(("-left", "-right")))  # either pair may be the wrong one
    return Damage(roles=every, stems={pair[0]: scene.stems[pair[1]], pair[1]: scene.stems[pair[0]]})


def foreign_stem(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """The stem of another take in this one's folder."""
    if scene.foreign is None:
        raise ValueError("a foreign stem needs another performance")
    x = scene.foreign(role)
    return changed(role, np.pad(x, (0, max(0, scene.n - len(x))))[: scene.n])


def _copy(scene: Scene, role: str, y: Signal) -> Damage:
    return Damage(roles=(role, _sibling(scene, role)), stems={role: y})


def _sibling(scene: Scene, role: str) -> str:
    wanted = ("rack-tom-2", "overhead-right", "rack-tom-1", "snare-top")
    return next(r for r in (*wanted, *scene.stems) if r in scene.stems and r != role)


# --------------------------------------------------------------------------------------------------- time
def late(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """The whole channel `amount` ms late, as through a converter of its own."""
    return changed(role, delayed(scene.stems[role], amount * 1e-3 * scene.rate_hz), amount)


def pair_offset(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """One mic of two that belong together `amount` ms late; the value is what then lies between them at the snare."""
    partner = {"overhead-left": "overhead-right", "overhead-right": "overhead-left"}.get(role, "snare-top")
    here, there = scene.arrival_ms.get(("snare", role)), scene.arrival_ms.get(("snare", partner))
    value = None if here is None or there is None else amount + here - there
    return Damage(roles=(role,), stems={role: delayed(scene.stems[role], amount * 1e-3 * scene.rate_hz)}, value=value)
