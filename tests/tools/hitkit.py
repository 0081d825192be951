"""A folder of single hits, every microphone recorded at once, and what is true of each hit alone.

Layout: <instrument>/<nn>-<channel>.flac or .wav, nn from the softest up. An instrument is a drum of
kitproof.roles, a drum with a way to strike it added (hi-hat-open, ride-bell), or anything else, which then is
unmiked (crash-left, china). A channel is a role of kitproof.roles. The recordings of one hit start together, at
the earliest when it reaches its own mic. Only one channel's hits are in memory at a time.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from math import gcd
from pathlib import Path

import numpy as np
import soundfile as sf
from numpy.typing import NDArray
from scipy.signal import resample_poly

from kitproof.roles import DRUM_OF_ROLE, LABELS, OWN_MIC_ORDER
from kitproof.units import db_to_amplitude

Samples = NDArray[np.float32]
HitName = tuple[str, str]  # instrument and number: ("snare", "03")

FILE = re.compile(r"(?P<number>\d+)-(?P<role>.+)\.(?:flac|wav)$", re.IGNORECASE)
LAYOUT = "expected <instrument>/<nn>-<channel>.flac or .wav, for example snare/01-snare-top.flac"
HIT_BELOW_PEAK_DB = 20.0  # a hit's time: the first sample this close to its peak in its own mic
ARRIVAL_BELOW_PEAK_DB = 30.0  # an arrival is looked for earlier in the rise, where no reflection is yet
QUIETER_BEFORE_DB = 6.0  # what precedes an arrival must lie this far below the threshold, or it is only noise
BEFORE_S, AFTER_S = 0.001, 0.060  # the energy window of a hit, as the bleed figure defines it
LEAD_S = 0.0003  # the rise itself, which is not noise
LATEST_ARRIVAL_S = 0.030  # ten metres: no mic of a kit is further away


class KitError(Exception):
    """The folder of hits cannot be used; the message says what was found and what was expected."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HitFacts:
    """What is true of one recorded hit alone; levels and energies as in the kit's files.

    `own` is the drum's own mic, or for an unmiked hit the mic that heard it loudest. `time_s` counts from the
    start of the recording. arrival_s is None where the hit does not stand out of the noise before it;
    that of the own mic is always there, and as good as the recording of a hard stroke.
    """

    drum: str
    own: str
    time_s: float
    peak: float  # amplitude in `own`
    energy: Mapping[str, float]  # by role, from 1 ms before the hit's time to 60 ms after
    arrival_s: Mapping[str, float | None]  # by role


@dataclass(kw_only=True)
class HitKit:
    """The hits of `folder`, at `rate_hz`, in the mics `roles`; other drums' hits are `raise_bleed_db` louder."""

    folder: Path
    rate_hz: int
    roles: tuple[str, ...]
    numbers: Mapping[str, tuple[str, ...]]  # by instrument, softest first
    raise_bleed_db: float = 0.0
    _loaded: tuple[str, Mapping[HitName, Samples]] = field(default=("", {}), repr=False)

    def own_role(self, drum: str) -> str | None:
        """The drum's own mic among those there are."""
        return next((role for role in OWN_MIC_ORDER.get(drum, ()) if role in self.roles), None)

    def hits(self, role: str) -> Mapping[HitName, Samples]:
        """Every hit as this mic heard it, (n,) each. Kept until another mic is asked for."""
        if self._loaded[0] != role:
            names = [(instrument, number) for instrument in self.numbers for number in self.numbers[instrument]]
            self._loaded = (role, {name: self._read(name, role) for name in names})
        return self._loaded[1]

    @cached_property
    def facts(self) -> Mapping[HitName, HitFacts]:
        """What is true of every hit alone."""
        return survey(self)

    def _read(self, name: HitName, role: str) -> Samples:
        path = _path(self.folder, name, role)
        try:
            samples, rate_hz = sf.read(path, dtype="float32", always_2d=True)
        except sf.LibsndfileError as error:
            raise KitError(f"{path}: no audio could be read ({error}); put the recording back") from error
        if samples.shape[1] != 1:
            raise KitError(f"{path}: {samples.shape[1]} channels; expected one mic a file, so split it")
        heard = samples[:, 0]
        if rate_hz != self.rate_hz:
            common = gcd(rate_hz, self.rate_hz)
            heard = resample_poly(heard, self.rate_hz // common, rate_hz // common)
        foreign = role in DRUM_OF_ROLE and DRUM_OF_ROLE[role] != drum_of(name[0])
        return np.asarray(heard * (db_to_amplitude(self.raise_bleed_db) if foreign else 1.0), dtype=np.float32)


def drum_of(instrument: str) -> str:
    """The drum an instrument folder belongs to; "unmiked" if mics never stand at such a thing."""
    fitting = [drum for drum in OWN_MIC_ORDER if instrument == drum or instrument.startswith(f"{drum}-")]
    return max(fitting, key=len, default="unmiked")


def open_kit(
    folder: Path, *, rate_hz: int | None = None, only_mics: Iterable[str] = (), raise_bleed_db: float = 0.0
) -> HitKit:
    """Look through a folder of hits; no audio is read yet. Without `rate_hz` it is that of the first file.

    Errors: KitError if there are no hits, a channel is no role, a hit lacks a channel, or a wanted mic is not there.
    """
    heard: dict[HitName, set[str]] = defaultdict(set)
    for path in sorted(folder.glob("*/*")):
        named = FILE.match(path.name)
        if named is None:
            continue
        if named["role"] not in LABELS:
            raise KitError(f"{path}: {named['role']!r} is no role; expected one of {', '.join(LABELS)}")
        heard[path.parent.name, named["number"]].add(named["role"])
    if not heard:
        raise KitError(f"{folder}: no hits in it; {LAYOUT}")
    every = set().union(*heard.values())
    for name, roles in heard.items():
        if roles != every:
            lacking = ", ".join(sorted(every - roles))
            raise KitError(f"{folder / name[0]}: hit {name[1]} lacks {lacking}; expected every channel of every hit")
    wanted = tuple(only_mics) or tuple(role for role in LABELS if role in every)
    if absent := [role for role in wanted if role not in every]:
        raise KitError(f"{folder}: no mic {', '.join(absent)}; there are {', '.join(sorted(every))}")
    numbers: dict[str, list[str]] = defaultdict(list)
    for instrument, number in sorted(heard, key=lambda name: (name[0], int(name[1]))):
        numbers[instrument].append(number)
    first = _path(folder, next(iter(heard)), wanted[0])
    return HitKit(
        folder=folder,
        rate_hz=rate_hz or int(sf.info(first).samplerate),
        roles=wanted,
        numbers={instrument: tuple(n) for instrument, n in numbers.items()},
        raise_bleed_db=raise_bleed_db,
    )


def _path(folder: Path, name: HitName, role: str) -> Path:
    found = [p for p in (folder / name[0]).glob(f"{name[1]}-{role}.*") if FILE.match(p.name)]
    if len(found) != 1:
        raise KitError(f"{folder / name[0]}: {len(found)} files for hit {name[1]}, {role}; expected one")
    return found[0]


# ------------------------------------------------------------------------------------ what is true of a hit
def survey(kit: HitKit) -> Mapping[HitName, HitFacts]:
    """The facts of every hit, read one mic after the other."""
    peaks: dict[HitName, dict[str, float]] = defaultdict(dict)
    starts: dict[HitName, dict[str, int]] = defaultdict(dict)
    at_once: dict[HitName, dict[str, int]] = defaultdict(dict)
    arrivals: dict[HitName, dict[str, int | None]] = defaultdict(dict)
    for role in kit.roles:
        for name, x in kit.hits(role).items():
            peaks[name][role] = float(np.max(np.abs(x), initial=0.0))
            starts[name][role] = first_within(x, HIT_BELOW_PEAK_DB)
            arrivals[name][role] = arrival(x, kit.rate_hz)
            at_once[name][role] = first_within(x, ARRIVAL_BELOW_PEAK_DB)
    own = {name: kit.own_role(drum_of(name[0])) or max(peaks[name], key=peaks[name].__getitem__) for name in peaks}
    for name, role in own.items():  # recordings are often cut where their own mic begins: there is no before
        arrivals[name][role] = at_once[name][role]
    energies: dict[HitName, dict[str, float]] = defaultdict(dict)
    for role in kit.roles:
        for name, x in kit.hits(role).items():
            at = starts[name][own[name]]
            window = slice(max(at - round(BEFORE_S * kit.rate_hz), 0), at + round(AFTER_S * kit.rate_hz))
            energies[name][role] = float(np.sum(np.square(x[window], dtype=np.float64)))
    return {
        name: HitFacts(
            drum=drum_of(name[0]) if kit.own_role(drum_of(name[0])) else "unmiked",
            own=own[name],
            time_s=starts[name][own[name]] / kit.rate_hz,
            peak=peaks[name][own[name]],
            energy=energies[name],
            arrival_s={role: None if n is None else n / kit.rate_hz for role, n in arrivals[name].items()},
        )
        for name in peaks
    }


def first_within(x: Samples, below_peak_db: float) -> int:
    """Index of the first sample within so many dB of the peak; 0 for silence."""
    size = np.abs(x)
    return int(np.argmax(size >= np.max(size, initial=0.0) * db_to_amplitude(-below_peak_db))) if len(x) else 0


def arrival(x: Samples, rate_hz: int) -> int | None:
    """Index of the first sample within 30 dB of the peak; None if nothing clearly quieter lies before it."""
    size = np.abs(x)
    peak = float(np.max(size, initial=0.0))
    at = first_within(x, ARRIVAL_BELOW_PEAK_DB)
    before = size[: max(at - round(LEAD_S * rate_hz), 0)]
    quiet = peak * db_to_amplitude(-ARRIVAL_BELOW_PEAK_DB - QUIETER_BEFORE_DB)
    return at if len(before) and float(np.max(before)) <= quiet else None


def kit_arrivals_ms(kit: HitKit) -> Mapping[tuple[str, str], float]:
    """(drum, role) -> when the drum reaches the mic after its own mic, ms; median over the harder half of its hits."""
    found: dict[tuple[str, str], list[float]] = defaultdict(list)
    for instrument, numbers in kit.numbers.items():
        for number in numbers[len(numbers) // 2 :]:
            hit = kit.facts[instrument, number]
            start_s = hit.arrival_s[hit.own]
            if hit.drum == "unmiked" or start_s is None:
                continue
            for role, at_s in hit.arrival_s.items():
                if at_s is not None and abs(at_s - start_s) < LATEST_ARRIVAL_S:
                    found[hit.drum, role].append((at_s - start_s) * 1e3)
    return {key: float(np.median(delays)) for key, delays in found.items()}
