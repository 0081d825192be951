"""The kit as something to strike: one call, and the signals of all surfaces that sound."""

from __future__ import annotations

import zlib

import numpy as np

from kitproof.demo.cymbals import PlateGroup, plate_groups, strike_cymbal
from kitproof.demo.membranes import buzz, head_modes, strike_shell
from kitproof.demo.responses import Float32
from kitproof.demo.scenario import Cymbal, Instrument, Scenario, Shell, distance_m
from kitproof.errors import StageInputError
from kitproof.model import FloatArray
from kitproof.units import speed_of_sound_m_s

BUZZING = "snare/front"


def generator(seed: int, *labels: str | int) -> np.random.Generator:
    """A generator of its own for every purpose, so that one more draw here changes nothing there."""
    return np.random.default_rng([seed, *(zlib.crc32(str(label).encode()) for label in labels)])


class Kit:
    """A kit in one tuning at one sample rate. Plates are worked out when first struck, then kept."""

    def __init__(self, scenario: Scenario, *, tuning: str, rate_hz: int, seed: int, rattles: bool = True) -> None:
        if tuning not in scenario.tunings:
            raise StageInputError(f"demo: no tuning {tuning!r}; there are {', '.join(scenario.tunings)}")
        self.scenario, self.tuning, self.rate_hz, self.seed = scenario, tuning, rate_hz, seed
        self.rattles = rattles
        self._plates: dict[str, tuple[PlateGroup, ...]] = {}
        self._scales: dict[str, float] = {}
        shells = (i for i in scenario.instruments.values() if isinstance(i, Shell))
        self._modes = {s.name: head_modes(s, s.f01_hz[tuning], generator(seed, "lugs", s.name)) for s in shells}

    def strike(
        self, instrument: str, strength: float, rng: np.random.Generator, choke_s: float | None = None
    ) -> dict[str, Float32]:
        """One stroke: pressure at 1 m per port name, starting at the moment of contact."""
        if instrument not in self.scenario.instruments:
            known = ", ".join(self.scenario.instruments)
            raise StageInputError(f"demo: nothing called {instrument!r} to strike; there are {known}")
        if not 0.0 < strength <= 1.0:
            raise StageInputError(f"demo: strength {strength}; it must be above 0 and at most 1")
        thing = self.scenario.instruments[instrument]
        scale = self._scale(thing)
        raw = self._raw(thing, strength, rng, choke_s)
        return {port: (scale * signal).astype(np.float32) for port, signal in raw.items()}

    def _raw(
        self, thing: Instrument, strength: float, rng: np.random.Generator, choke_s: float | None
    ) -> dict[str, FloatArray]:
        if isinstance(thing, Cymbal):
            groups = self._groups(thing)
            return {thing.plate: strike_cymbal(thing, groups, strength, rng, self.rate_hz, choke_s)}
        hit = strike_shell(thing, self._modes[thing.name], strength, rng, self.rate_hz)
        ports = {f"{thing.name}/batter": hit.batter, f"{thing.name}/front": hit.front}
        if self.rattles and thing.buzz_db > -100.0:
            ports[BUZZING] = self._buzz(thing, hit.batter, rng)
        return ports

    def _buzz(self, shell: Shell, batter: FloatArray, rng: np.random.Generator) -> FloatArray:
        """The snare's wires answering another drum, once its sound has come over."""
        snare = self.scenario.instruments["snare"]
        apart_m = distance_m(shell.centre, snare.centre)
        late = round(apart_m / speed_of_sound_m_s(self.scenario.temperature_c) * self.rate_hz)
        answer = buzz(batter[: int(0.25 * self.rate_hz)], rng, self.rate_hz)
        return np.concatenate([np.zeros(late), answer * 10.0 ** (shell.buzz_db / 20.0) / apart_m])

    def _groups(self, cymbal: Cymbal) -> tuple[PlateGroup, ...]:
        if cymbal.name not in self._plates:
            rng = generator(self.seed, "plate", cymbal.name)
            self._plates[cymbal.name] = plate_groups(cymbal, rng, self.rate_hz)
        return self._plates[cymbal.name]

    def _scale(self, thing: Instrument) -> float:
        """Brings the median peak of a few of the hardest strokes to the instrument's level."""
        if thing.name not in self._scales:
            loudest = [self._raw(thing, 1.0, generator(self.seed, "scale", thing.name, k), None) for k in range(3)]
            main = f"{thing.name}/batter" if isinstance(thing, Shell) else thing.plate
            peaks = [float(np.max(np.abs(raw[main]))) for raw in loudest]
            self._scales[thing.name] = thing.level / float(np.median(peaks))
        return self._scales[thing.name]
