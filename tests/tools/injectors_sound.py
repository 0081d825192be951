"""Faults that sound: what does not belong to the kit, what the room adds, what the drums do by themselves."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from injectors import Damage, Scene, Signal, changed, peak
from render import delayed, room_tone
from scipy.signal import butter, fftconvolve, lfilter, sosfilt

from kitproof.units import amplitude_to_db, db_to_amplitude

HUM = {1: 1.0, 2: 0.5, 3: 0.63, 5: 0.28}  # harmonic: amplitude against the fundamental
PHONE_HZ = 217.0  # frames of a digital telephone, one slot in eight


def tone(scene: Scene, hz: float, rng: np.random.Generator) -> Signal:
    """A steady tone of amplitude 1."""
    return np.asarray(np.sin(2 * np.pi * hz * np.arange(scene.n) / scene.rate_hz + rng.uniform(0, 2 * np.pi)))


def noise_rms(scene: Scene, amount: float, rng: np.random.Generator) -> Signal:
    """Room tone of this RMS."""
    return room_tone(scene.n, amplitude_to_db(amount) or -200.0, scene.rate_hz, rng)


def band(x: Signal, low_hz: float, high_hz: float, rate_hz: int) -> Signal:
    """Second order at either end."""
    return np.asarray(sosfilt(butter(2, (low_hz, min(high_hz, 0.45 * rate_hz)), "band", fs=rate_hz, output="sos"), x))


# ------------------------------------------------------------------------------------ steady, and in bursts
def hum(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """Mains tone, fundamental of this amplitude, with a few harmonics; 50 or 60 Hz, a little off as mains are."""
    f0 = float(rng.choice([50.0, 60.0])) + float(rng.uniform(-0.04, 0.04))
    x = scene.stems[role] + sum(amount * share * tone(scene, k * f0, rng) for k, share in HUM.items())
    return changed(role, np.asarray(x), f0)


def buzz(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """A dimmer: harmonics of 100 Hz up to 5 kHz, each of this amplitude, in step so that they make spikes."""
    t = np.arange(scene.n) / scene.rate_hz
    spikes = sum(np.cos(2 * np.pi * 100.02 * k * t + 0.3) for k in range(1, 51))
    return changed(role, scene.stems[role] + amount * np.asarray(spikes))


def whine(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """A computer bus: 1 kHz and two of its multiples, the first of this amplitude."""
    x = scene.stems[role] + amount * (tone(scene, 1000.0, rng) + 0.7 * tone(scene, 3000.0, rng)
                                      + 0.5 * tone(scene, 8000.0, rng))  # fmt: skip
    return changed(role, x, 1000.0)


def noise(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """Noise of this RMS from end to end."""
    return changed(role, scene.stems[role] + noise_rms(scene, amount, rng), amplitude_to_db(amount))


def late_noise(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """A fan that starts after three fifths of the take, heard everywhere, loudest here."""
    ramp = np.clip((np.arange(scene.n) - 0.6 * scene.n) / (0.5 * scene.rate_hz), 0.0, 1.0)
    stems = {}
    for r, x in scene.stems.items():
        if r == role or r.startswith(("overhead", "room")):
            stems[r] = x + ramp * noise_rms(scene, amount if r == role else 0.7 * amount, rng)
    return Damage(roles=tuple(stems), stems=stems)


def phone_bursts(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """A telephone on the amplifier: bursts of 217 pulses a second of this amplitude, three times 0.6 s."""
    t = np.arange(scene.n) / scene.rate_hz
    pulses = ((t * PHONE_HZ) % 1.0 < 0.125).astype(float) - 0.125
    soft = lfilter([0.35], [1.0, -0.65], pulses)
    on = np.zeros(scene.n)
    for start in np.linspace(0.2, 0.75, 3) * t[-1]:
        on[(t >= start) & (t < start + 0.6)] = 1.0
    return changed(role, scene.stems[role] + amount * np.asarray(soft) * on)


def crackle(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """A lead that spits: a dozen steps and short bursts of this amplitude, whenever they like, in one channel."""
    x = scene.stems[role].copy()
    for at in rng.uniform(0.1, 0.9, 12) * scene.n:
        n = round(rng.uniform(0.0005, 0.004) * scene.rate_hz)
        spit = rng.choice((-1.0, 1.0), n) * rng.uniform(0.4, 1.0) * np.exp(-np.arange(n) / (0.3 * n))
        x[int(at) : int(at) + n] += amount * spit
    return changed(role, x)


def routed_copy(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """A monitor return: the channel itself comes back 12.3 ms later, `amount` times as strong."""
    x, n = scene.stems[role].copy(), round(0.0123 * scene.rate_hz)
    x[n:] += amount * scene.stems[role][:-n]
    return changed(role, x * (peak(scene.stems[role]) / max(peak(x), peak(scene.stems[role]))), 12.3)


def click_bleed(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """The click through a headphone's shell: 3 ms on the way, dulled, its energy `amount`^2 of the click's own."""
    if scene.click is None:
        raise ValueError("click bleed needs a click")
    smear = np.exp(-np.arange(round(0.004 * scene.rate_hz)) / (0.0006 * scene.rate_hz))
    leak = delayed(fftconvolve(scene.click, smear)[: scene.n], 0.003 * scene.rate_hz)
    leak *= amount * np.sqrt(np.sum(scene.click**2) / np.sum(leak**2))
    return changed(role, scene.stems[role] + leak, amplitude_to_db(amount))


# ------------------------------------------------------------------------------------------------- the room
def _in_the_room(scene: Scene, role: str) -> Signal:
    """What a wall can give back: the sounds, and not the hiss of mic and preamp behind them."""
    x, n = scene.stems[role], round(0.005 * scene.rate_hz)
    level = np.sqrt(np.convolve(x**2, np.full(n, 1.0 / n), mode="same"))
    quiet = float(np.percentile(level, 5)) + 1e-9
    return np.asarray(x * np.clip(level / (2.0 * quiet) - 1.0, 0.0, 1.0))


def comb(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """A ceiling 45 cm over the mics: all of it again after 2.6 ms, `amount` as loud, on both of the pair."""
    pair = tuple(r for r in scene.stems if r.startswith(role))
    return Damage(
        roles=pair,
        stems={r: scene.stems[r] + amount * delayed(_in_the_room(scene, r), 0.0026 * scene.rate_hz) for r in pair},
    )


def flutter(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """Two bare walls 4 m apart: echoes every 23 ms, each `amount` of the one before, on both of the pair."""
    back = round(0.023 * scene.rate_hz)
    pair = tuple(r for r in scene.stems if r.startswith(role))
    stems = {}
    for r in pair:
        stems[r], back_again = scene.stems[r].copy(), _in_the_room(scene, r)
        for k in range(1, 9):
            stems[r][k * back :] += amount**k * back_again[: -k * back]
    return Damage(roles=pair, stems={r: x * min(1.0, 0.9 / peak(x)) for r, x in stems.items()})


def boom(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """A mode of the room at 47 Hz that hangs for a second, struck by all there is; `amount` of the channel's peak."""
    radius = float(np.exp(-3.0 * np.log(10.0) / (1.1 * scene.rate_hz)))
    turn = 2 * np.pi * 47.0 / scene.rate_hz
    pair = tuple(r for r in scene.stems if r.startswith(role))
    stems = {}
    for r in pair:
        x = scene.stems[r]
        ring = lfilter([1.0, -1.0], [1.0, -2 * radius * np.cos(turn), radius**2], x)
        stems[r] = x + amount * peak(x) * ring / peak(np.asarray(ring))
        stems[r] *= min(1.0, 0.9 / peak(stems[r]))
    return Damage(roles=pair, stems=stems)


def room_mic_close(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """Room mics that stand at the kit: what the overheads hear, 0.4 ms later, with `1 - amount` of the room in it."""
    stems = {}
    for side in ("left", "right"):
        near, far = f"overhead-{side}", f"room-{side}"
        if near in scene.stems and far in scene.stems:
            kit = delayed(scene.stems[near], 0.0004 * scene.rate_hz) / peak(scene.stems[near])
            mixed = amount * kit + (1.0 - amount) * scene.stems[far] / peak(scene.stems[far])
            stems[far] = mixed * peak(scene.stems[far]) / peak(mixed)
    return Damage(roles=tuple(stems), stems=stems)


# ------------------------------------------------------------------------------------------------ the drums
def snare_buzz(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """The wires hiss for 0.2 s after every kick and tom; `amount` of the channel's peak."""
    drums = ["kick", *(d for d in scene.hits_s if "tom" in d)]
    at = sorted(t for d in drums for t in scene.hits_s.get(d, ()))
    hiss = _after(scene, at, (2000.0, 9000.0), 0.008, 0.2, rng)
    return changed(role, scene.stems[role] + amount * peak(scene.stems[role]) * hiss)


def rattle(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """A wing nut at the mic's own drum sizzles 0.15 s after each of its strokes; half as loud in its neighbours."""
    sizzle = _after(scene, scene.own_hits_s(role), (2500.0, 7000.0), 0.004, 0.15, rng)
    sizzle *= 1.0 + 0.8 * tone(scene, 43.0, rng)
    stems = {r: x + amount * peak(x) * sizzle * (1.0 if r == role else 0.25)
             for r, x in scene.stems.items() if r == role or r.startswith("overhead")}  # fmt: skip
    return Damage(roles=(role,), stems=stems)


def _after(
    scene: Scene, at_s: Sequence[float], hz: tuple[float, float], late_s: float, length_s: float,
    rng: np.random.Generator,
) -> Signal:  # fmt: skip
    """Bursts of band noise after every given moment, peak 1."""
    out = np.zeros(scene.n)
    n = round(length_s * scene.rate_hz)
    shape = np.exp(-3.0 * np.arange(n) / n) * np.clip(np.arange(n) / (0.003 * scene.rate_hz), 0.0, 1.0)
    for t in at_s:
        start = round((t + late_s) * scene.rate_hz)
        burst = band(rng.standard_normal(n), *hz, scene.rate_hz)[: max(scene.n - start, 0)]
        out[start : start + len(burst)] += burst * shape[: len(burst)] * rng.uniform(0.7, 1.0)
    return out / peak(out)


def head_splits(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """From three fifths of the take on every stroke of the mic's own drum is `amount` dB duller above 1 kHz."""
    return _strokes_filtered(scene, role, lambda x: x - (1.0 - db_to_amplitude(-amount)) * band(
        x, 1000.0, 20000.0, scene.rate_hz), 0.0, 0.12)  # fmt: skip


def wires_slip(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """From three fifths of the take on the snare's strokes hold `amount` dB less of the wires, from 6 ms on."""
    return _strokes_filtered(scene, role, lambda x: x - (1.0 - db_to_amplitude(-amount)) * band(
        x, 1500.0, 9000.0, scene.rate_hz), 0.006, 0.2)  # fmt: skip


def _strokes_filtered(
    scene: Scene, role: str, change: Callable[[Signal], Signal], after_s: float, length_s: float
) -> Damage:
    """The own drum's strokes in the last two fifths of the take, each faded into what `change` makes of it."""
    x, n = scene.stems[role], scene.n
    wet = np.zeros(n)
    edge = round(0.002 * scene.rate_hz)
    for t in (t for t in scene.own_hits_s(role) if t * scene.rate_hz > 0.6 * n):
        start = round((t - 0.001 + after_s) * scene.rate_hz)
        wet[start : start + round(length_s * scene.rate_hz)] = 1.0
    wet = np.clip(np.convolve(wet, np.ones(edge) / edge, "same"), 0.0, 1.0)
    y = x * (1.0 - wet) + change(x) * wet
    return changed(role, y * min(1.0, 0.98 / peak(y)))


def tuning_drift(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """A lug backs off: each stroke of the drum rings lower, the last by `amount` cents, here and in the overheads."""
    at = scene.own_hits_s(role)
    stems = {r: _sunk(scene, x, at, amount) for r, x in scene.stems.items() if r == role}
    return Damage(roles=tuple(stems), stems=stems, value=-amount)


def _sunk(scene: Scene, x: Signal, at_s: Sequence[float], amount: float) -> Signal:
    """Strokes read ever more slowly, faded back into the channel as it was before the next one."""
    y = x.copy()
    ends = [*at_s[1:], scene.n / scene.rate_hz]
    for k, (t, end) in enumerate(zip(at_s, ends, strict=True)):
        slower = 2.0 ** (-amount * k / max(len(at_s) - 1, 1) / 1200.0)
        a = round((t + 0.002) * scene.rate_hz)
        b = min(round((end - 0.004) * scene.rate_hz), a + round(1.5 * scene.rate_hz), scene.n)
        if b - a < round(0.02 * scene.rate_hz):
            continue
        read = np.interp(a + slower * np.arange(b - a), np.arange(a, b), x[a:b])
        fade = np.clip((b - a - np.arange(b - a)) / (0.1 * (b - a)), 0.0, 1.0)
        y[a:b] = read * fade + x[a:b] * (1.0 - fade)
    return y
