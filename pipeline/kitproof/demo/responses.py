"""What each mic hears of a single impulse from each surface, and the sum of everything at the mics.

Conventions: responses are float32, shape (ports, mics, n); port signals (ports, n_frames); full use of float32
is enough, as its rounding lies some 70 dB under the noise floor of any channel.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft
from scipy.signal import butter, lfilter, sosfilt

from kitproof.demo.paths import Paths
from kitproof.demo.scenario import Room, Scenario, Shell
from kitproof.model import FloatArray
from kitproof.units import speed_of_sound_m_s

Float32 = NDArray[np.float32]

HALF_SINC = 16  # taps on each side of a fractional delay
SINC_BETA = 9.0
TAIL_SHARE = 0.5  # of the diffuse energy: the rest is in the first reflections
SYMPATHY = 0.010  # how readily a tom rings along with a blow elsewhere, at 1 m
LN1000 = float(np.log(1000.0))  # 60 dB


def responses(
    paths: Paths, scenario: Scenario, room: Room, tuning: str, rng: np.random.Generator, rate_hz: int
) -> Float32:
    """Direct sound, first reflections, diffuse tail and toms that ring along. `rng` makes the tail."""
    early = early_responses(paths, rate_hz)
    if room.corners is None:
        return _low_cut(early, paths, scenario, rate_hz)
    n = int((float(np.max(paths.delay_s)) + room.t60_s[0]) * rate_hz)
    out = np.zeros((*early.shape[:2], max(n, early.shape[2])), dtype=np.float32)
    out[..., : early.shape[2]] = early
    out += _tail(paths, scenario, room, rng, out.shape[2], rate_hz)
    _ring_along(out, paths, scenario, tuning, rate_hz)
    return _low_cut(out, paths, scenario, rate_hz)


def _low_cut(response: Float32, paths: Paths, scenario: Scenario, rate_hz: int) -> Float32:
    """The mics' own low-cut switches, in place."""
    for column, role in enumerate(paths.roles):
        corner_hz = scenario.mics[role].low_cut_hz
        if corner_hz:
            cut = butter(2, corner_hz, btype="highpass", fs=rate_hz, output="sos")
            response[:, column] = sosfilt(cut, response[:, column], axis=-1)
    return response


def early_responses(paths: Paths, rate_hz: int) -> Float32:
    """Direct and once-reflected sound, placed between samples by a windowed sinc."""
    n = int(np.ceil(float(np.max(paths.delay_s)) * rate_hz)) + HALF_SINC + int(0.004 * rate_hz)
    at = paths.delay_s * rate_hz
    whole = np.floor(at).astype(int)
    offset = np.arange(1 - HALF_SINC, HALF_SINC + 1)
    x = offset - (at - whole)[..., None]
    window = np.i0(SINC_BETA * np.sqrt(np.maximum(1.0 - (x / HALF_SINC) ** 2, 0.0))) / np.i0(SINC_BETA)
    taps = np.sinc(x) * window * paths.sign[..., None]
    high, mid, low = paths.gain[..., 2], paths.gain[..., 1], paths.gain[..., 0]
    # Flat as far as the treble gets, and what only the mids and lows have passed through low-passes.
    shares = np.stack([high, mid - high, low - mid])
    index = whole[..., None] + offset
    _, n_ports, n_mics = at.shape
    port, mic = np.arange(n_ports)[None, :, None, None], np.arange(n_mics)[None, None, :, None]
    trains = np.zeros((3, n_ports, n_mics, n + HALF_SINC))
    for train, share in zip(trains, shares, strict=True):
        np.add.at(train, (port, mic, np.maximum(index, 0)), share[..., None] * taps)
    out = trains[0] + _one_pole(trains[1], 3500.0, rate_hz) + _one_pole(trains[2], 700.0, rate_hz)
    return np.asarray(out[..., :n], dtype=np.float32)


def _one_pole(x: FloatArray, corner_hz: float, rate_hz: int) -> FloatArray:
    pole = float(np.exp(-2 * np.pi * corner_hz / rate_hz))
    return np.asarray(lfilter([1.0 - pole], [1.0, -pole], x, axis=-1))


def _tail(paths: Paths, scenario: Scenario, room: Room, rng: np.random.Generator, n: int, rate_hz: int) -> Float32:
    """Diffuse sound, independent for every surface and mic, as loud as the critical distance demands."""
    assert room.corners is not None
    volume_m3 = float(np.prod(np.array(room.corners[1]) - np.array(room.corners[0])))
    noise = rng.standard_normal((len(paths.ports), len(paths.roles), n), dtype=np.float32)
    low = _one_pole(noise, 800.0, rate_hz).astype(np.float32)
    bands = (low, _one_pole(noise - low, 6000.0, rate_hz).astype(np.float32))
    since = np.arange(n, dtype=np.float32) / np.float32(rate_hz) - paths.delay_s[0, ..., None].astype(np.float32)
    fade_in = np.clip((since - 0.002) / 0.012, 0.0, 1.0)
    # A cardioid takes a third of the diffuse energy that an omni takes.
    amount = np.array([scenario.mics[r].cardioid for r in paths.roles])
    taken = np.sqrt(1.0 - amount * 2.0 / 3.0)
    taken *= np.array([0.35 if scenario.mics[r].inside else 1.0 for r in paths.roles])
    out = np.zeros_like(noise)
    for band, t60_s in zip(bands, room.t60_s, strict=True):
        # White noise of variance v decaying over t60 holds v rate t60 / (2 ln 1000) of energy.
        energy = TAIL_SHARE * t60_s / (volume_m3 * 0.057**2)
        gain = np.sqrt(energy * 2.0 * LN1000 / (rate_hz * t60_s))
        out += band * np.exp(np.float32(-LN1000 / t60_s) * np.maximum(since, 0.0)) * np.float32(gain)
    return np.asarray(out * fade_in * taken[None, :, None].astype(np.float32))


def _ring_along(out: Float32, paths: Paths, scenario: Scenario, tuning: str, rate_hz: int) -> None:
    """Toms answer blows to other drums with their own lowest note, after the sound has reached them."""
    speed = speed_of_sound_m_s(scenario.temperature_c)
    index = {p.name: i for i, p in enumerate(paths.ports)}
    shells = [i for i in scenario.instruments.values() if isinstance(i, Shell)]
    t = np.arange(out.shape[2]) / rate_hz
    for tom in (s for s in shells if "tom" in s.name):
        rate_of_decay = np.log(10.0) / (tom.decay_ms / 1e3)
        omega = 2 * np.pi * tom.f01_hz[tuning]
        own = index[f"{tom.name}/batter"]
        for other in (s for s in shells if s.name != tom.name):
            apart = float(np.linalg.norm(np.array(tom.centre) - np.array(other.centre)))
            start = apart / speed + paths.delay_s[0, own]  # (mics,)
            since = t[None] - start[:, None]
            ring = np.sin(omega * since) * np.exp(-rate_of_decay * np.maximum(since, 0.0)) * (since > 0.0)
            gain = SYMPATHY / apart * paths.gain[0, own, :, 0] * omega / rate_hz
            out[index[f"{other.name}/batter"]] += (gain[:, None] * ring).astype(np.float32)


def at_the_mics(signals: Float32, response: Float32) -> Float32:
    """Every port through every response, summed per mic: (ports, n) and (ports, mics, m) give (mics, n).

    Block by block (overlap-add); a port that is silent in a block costs nothing there.
    """
    n_ports, n = signals.shape
    n_taps = response.shape[2]
    size = next_fast_len(max(4 * n_taps, 8192), real=True)
    step = size - n_taps + 1
    spectra = rfft(response, size, axis=2)
    out = np.zeros((response.shape[1], n + n_taps), dtype=np.float32)
    for start in range(0, n, step):
        block = signals[:, start : start + step]
        sounding = [p for p in range(n_ports) if block[p].any()]
        if not sounding:
            continue
        total = np.zeros((response.shape[1], spectra.shape[2]), dtype=np.complex64)
        for port in sounding:
            total += spectra[port] * rfft(block[port], size)
        wave = irfft(total, size, axis=1)[:, : min(step + n_taps - 1, n + n_taps - start)]
        out[:, start : start + wave.shape[1]] += wave
    return out[:, :n]


def window_energies(response: Float32, n: int) -> Callable[[Mapping[int, Float32], slice], FloatArray]:
    """A function from one stroke's port signals, and a window within the first n samples, to energy per mic."""
    size = next_fast_len(2 * n, real=True)
    spectra = rfft(response[..., :n], size, axis=2)

    def energy(signals: Mapping[int, Float32], window: slice) -> FloatArray:
        total = sum(spectra[port] * rfft(signal[:n], size) for port, signal in signals.items())
        wave = irfft(total, size, axis=1)[:, window]
        return np.asarray(np.sum(np.square(wave, dtype=np.float64), axis=1))

    return energy
