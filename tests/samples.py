"""Plausible made-up records of any size, for tests of whatever reads them: no audio is involved.

    measurements, pictures = samples.take(n_channels=14, n_findings=9, duration_s=214.0)

Everything follows from the seed. The numbers hang together as far as a reader can see (peaks over
floors, mics further away hear later), but nothing was measured.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Literal

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from kitproof.model import (
    BleedEntry,
    Channel,
    ChannelMeasures,
    ChannelPicture,
    ClipRun,
    DrumMeasures,
    Fact,
    FileFacts,
    Finding,
    Fuller,
    Hit,
    HitPicture,
    LowEndPair,
    Measurements,
    MomentPicture,
    NoiseBand,
    NotChecked,
    PairEntry,
    Pictures,
    Polarity,
    Take,
    Verdict,
    VerdictWord,
)
from kitproof.observed import Observed
from kitproof.observed.timing import Grid
from kitproof.roles import DISTANT_ROLES, DRUM_OF_ROLE, DRUM_ORDER, LABELS, OWN_MIC_ORDER, PAIRS
from kitproof.units import ms_to_cm, speed_of_sound_m_s

Names = Literal["plain", "long", "japanese"]

RATE_HZ = 48000
TEMPERATURE_C = 21.0
REASON = "the channel is silent from end to end"
JAPANESE = {"kick-in": "キック内", "snare-top": "スネア上", "hi-hat": "ハイハット", "floor-tom": "フロアタム"}

# role, mic, preamp, position, own-drum distance, snare distance, loudest peak, noise floor
KIT: tuple[tuple[str, str, str, str, float | None, float | None, float, float], ...] = (
    ("kick-in", "boundary, half-cardioid", "1, pad in", "on the pillow, 8 cm from the head", 0.08, None, -7.4, -78.0),
    ("kick-out", "dynamic, large", "2", "edge of the port, tilted", 0.36, None, -9.1, -74.0),
    ("snare-top", "dynamic, cardioid", "3", "rim, 4 cm up, aimed at the centre", 0.04, 0.04, -6.2, -71.0),
    ("snare-bottom", "dynamic, cardioid", "4", "under the wires", 0.10, 0.10, -10.8, -70.0),
    ("hi-hat", "condenser, small", "5", "outer bow, 10 cm", 0.10, 0.52, -15.9, -69.0),
    ("rack-tom-1", "dynamic, clip-on", "6", "rim, 4 cm", 0.04, 0.38, -8.3, -73.0),
    ("rack-tom-2", "dynamic, clip-on", "7", "rim, 4 cm", 0.04, 0.60, -9.6, -73.0),
    ("floor-tom", "dynamic, large", "8", "rim, 5 cm", 0.05, 0.86, -8.9, -72.0),
    ("ride", "condenser, small", "9", "below the bow, 15 cm", 0.15, 0.95, -17.2, -68.0),
    ("overhead-left", "condenser, large", "10", "over the hi-hat", None, 1.02, -12.1, -66.0),
    ("overhead-right", "condenser, large", "11", "over the floor tom", None, 1.04, -12.9, -66.5),
    ("room-left", "ribbon, figure of eight", "12", "2.6 m in front, 1.2 m up", None, 2.71, -16.4, -64.0),
    ("room-right", "ribbon, figure of eight", "13", "2.6 m in front, 1.2 m up", None, 2.69, -16.9, -63.5),
    ("click", "line", "14", "from the headphone feed", None, None, -12.0, -95.0),
    ("snare-side", "dynamic, cardioid", "15", "shell, at the vent", 0.12, 0.12, -9.9, -71.0),
    ("room", "condenser, omni", "16", "in the doorway", None, 4.1, -19.0, -62.0),
    ("underhead-left", "condenser, small", "17", "under the crash", None, 0.7, -14.0, -67.0),
    ("underhead-right", "condenser, small", "18", "under the ride", None, 0.9, -14.5, -67.0),
    ("floor-tom-2", "dynamic, large", "19", "rim, 5 cm", 0.05, 1.2, -9.2, -72.0),
    ("rack-tom-3", "dynamic, clip-on", "20", "rim, 4 cm", 0.04, 0.7, -9.9, -73.0),
    ("talkback", "dynamic, cardioid", "21", "beside the stool", None, 0.8, -20.0, -70.0),
)  # fmt: skip

DRUM_HZ = {"kick": 60, "snare": 210, "hi-hat": 8000, "rack-tom-1": 130, "rack-tom-2": 105, "rack-tom-3": 92,
           "rack-tom-4": 85, "floor-tom": 72, "floor-tom-2": 62, "ride": 5200, "unmiked": 6500}  # fmt: skip

NOT_CHECKED = (
    NotChecked(check="tuning between takes", reason="only this take was read", code="one-pair"),
    NotChecked(
        check="floor tom 2", reason="no drum of that name was hit", code="unplayed", drums=("floor-tom-2", "ride")
    ),
    NotChecked(check="sound pressure in the room", reason="a file says nothing about it", code="sound"),
    NotChecked(check="click in the last ring-out", reason="the take ends within 2 s of the last stroke", code="signal"),
)
GOOD = (
    "All files start together and have the same length and format.",
    "Nothing was lost: no gaps and no jumps in any channel.",
    "No mains hum above the noise floor of any microphone.",
    "Kick in and kick out add up: more low end together than alone.",
)
GOOD_FACTS = (
    Fact(key="files_agree", numbers={"n": 14, "rate_hz": 48000, "bits": 24}),
    Fact(key="all_played", numbers={"n_hits": 1151, "n_drums": 7}),
    Fact(key="quiet", numbers={"n": 13, "level_dbfs": -63.5}),
    Fact(key="partners_add", files=("01 kick-in.wav", "02 kick-out.wav")),
)


def take(
    *,
    n_channels: int = 14,
    n_findings: int = 9,
    duration_s: float = 214.0,
    seed: int = 7,
    tempo_bpm: float | None = 104.0,
    names: Names = "plain",
    silent: bool = False,
    n_unreadable: int = 0,
    verdict: VerdictWord | None = None,
    song: str | None = "Tidewall",
    number: int | None = 3,
) -> tuple[Measurements, Pictures]:
    """One take as records and its pictures.

    n_channels : how many microphones, the kit's own order first, then it repeats
    names : "plain" is "01 kick-in.wav", "long" gives names of 60 characters, "japanese" kana and kanji
    silent : every figure that may be missing is missing, with a reason; no hit; no findings but those asked for
    n_unreadable : so many of the last files could not be read: facts and a finding, no measures, no picture
    """
    rng = np.random.default_rng(seed)
    channels = _channels(n_channels, names)
    readable = channels[: len(channels) - n_unreadable]
    hits = () if silent or not readable else _hits(rng, readable, duration_s, tempo_bpm or 96.0)
    findings = _findings(rng, channels, readable, n_findings, duration_s)
    measurements = Measurements(
        take=_take(channels, readable, duration_s, tempo_bpm, song, number),
        channels=tuple(_measures(rng, c, i, hits, duration_s, silent) for i, c in enumerate(readable)),
        drums=() if silent else _drums(rng, readable, hits),
        hits=hits,
        bleed=_bleed(rng, readable, hits, silent),
        pairs=_pairs(rng, readable, hits, silent),
        observed=_observed(tempo_bpm, duration_s, hits),
        low_end=() if silent else _low_end(readable),
        findings=findings,
        not_checked=NOT_CHECKED,
        verdict=_verdict(findings, verdict, good=not silent and bool(readable)),
        settings={
            "bleed": {"window_ms": 60.0, "before_ms": 1.0},
            "hits": {"threshold_db": 12.0},
            "loudness": "BS.1770-5",
            "thresholds": {
                "hot_dbfs": {"value": -6.0, "unit": "dBFS", "reason": "set in place of -3", "source": "the room"},
                "moved_ms": {
                    "value": 0.15,
                    "unit": "ms",
                    "reason": "5 cm: no mic moves so far by itself",
                    "source": "x",
                },
            },
        },
        versions={"kitproof": "0.1.0", "numpy": "2.0.0", "python": "3.11.9", "scipy": "1.14.0"},
    )
    drawn = _pictures(rng, readable, hits, duration_s, silent)
    return measurements, replace(drawn, moments=_moments(rng, readable, findings))


def _observed(tempo_bpm: float | None, duration_s: float, hits: tuple[Hit, ...]) -> Observed:
    """A click at the declared tempo from the start of the file, four to the bar."""
    if tempo_bpm is None or not hits:
        return Observed()
    beat_s = 60.0 / tempo_bpm
    grid = Grid(
        source="click", tempo_bpm=tempo_bpm, tempo_spread_bpm=0.0, confidence=0.97, beats_per_bar=4, first_bar=0,
        beats_s=tuple(round(i * beat_s, 4) for i in range(int(duration_s / beat_s) + 1)), bar_source="click",
    )  # fmt: skip
    return Observed(grids=(grid,))


# ---------------------------------------------------------------- what was recorded
def _channels(n: int, names: Names) -> tuple[Channel, ...]:
    made = []
    for i in range(n):
        role, mic, preamp, position, own_m, snare_m, _, _ = KIT[i % len(KIT)]
        file = _file_name(i, role, names)
        again = i // len(KIT)
        made.append(
            Channel(
                file=file, path=file, index_in_file=0, role=role, role_source="take.toml" if i % 3 else "file name",
                label=LABELS[role] + (f" {again + 1}" if again else ""),
                mic=mic, preamp=preamp, position=position if i % 5 else None,
                note="low cut at 80 Hz left in" if role == "hi-hat" else None,
                to_own_drum_m=own_m, to_snare_m=snare_m,
            )
        )  # fmt: skip
    return tuple(made)


def _file_name(i: int, role: str, names: Names) -> str:
    stem = f"{i + 1:02d} {role}"
    if names == "japanese":
        stem = f"{i + 1:02d} {JAPANESE.get(role, '太鼓')}"
    if names == "long":
        stem = (stem + " evening session with the new heads and the other carpet, second pass")[:56]
    return stem + ".wav"


def _take(
    channels: tuple[Channel, ...],
    readable: tuple[Channel, ...],
    duration_s: float,
    tempo_bpm: float | None,
    song: str | None,
    number: int | None,
) -> Take:
    n_frames = round(duration_s * RATE_HZ)
    files = []
    for i, channel in enumerate(channels):
        sha = f"{(i + 1) * 0x9E3779B97F4A7C15 % 2**64:016x}" * 4
        if i < len(readable):
            files.append(
                FileFacts(
                    path=channel.path, size_bytes=n_frames * 3 + 44, sha256=sha, container="WAV", encoding="PCM_24",
                    bit_depth=24, rate_hz=RATE_HZ, n_channels=1, n_frames=n_frames, declared_frames=n_frames,
                    time_reference_frames=172_800_000, description=None,
                )
            )  # fmt: skip
        else:
            text = "the header is not that of an audio file; export it again from the session"
            files.append(
                FileFacts(path=channel.path, size_bytes=4096, sha256=sha, problem="unreadable", problem_text=text)
            )
    return Take(
        folder="tidewall/take 3", name="take 3", song=song, number=number, tempo_bpm=tempo_bpm,
        temperature_c=TEMPERATURE_C, temperature_declared=True, channels=channels, files=tuple(files),
        ignored=("notes.txt",), remarks=("Four roles were read from the file names.",),
    )  # fmt: skip


# ---------------------------------------------------------------- hits and drums
def _own_mic(channels: tuple[Channel, ...]) -> dict[str, Channel]:
    """drum -> own close mic, in the order of the kit."""
    by_role: dict[str, Channel] = {}
    for channel in channels:
        by_role.setdefault(channel.role, channel)
    found = {}
    for drum, roles in OWN_MIC_ORDER.items():
        mine = next((by_role[r] for r in roles if r in by_role), None)
        if mine is not None:
            found[drum] = mine
    return found


def hit(peak_dbfs: float | None) -> Hit:
    """One snare stroke of this level."""
    why = {} if peak_dbfs is not None else {"peak_dbfs": "buried"}
    return Hit(
        time_s=1.0, drum="snare", file="snare.wav", peak_dbfs=peak_dbfs, crest_db=12.0, attack_ms=1.0, strength_db=0.0,
        confidence=0.9, unmeasured=why,
    )  # fmt: skip


def _hits(rng: Generator, channels: tuple[Channel, ...], duration_s: float, tempo_bpm: float) -> tuple[Hit, ...]:
    """A plain groove: hats in eighths, backbeat, a tom fill every fourth bar, ride in every second eight bars."""
    own = _own_mic(channels)
    made: list[Hit] = []
    eighth_s = 30.0 / tempo_bpm
    toms = [d for d in own if "tom" in d]
    for i in range(8, int(duration_s / eighth_s) - 4):
        bar, step = divmod(i, 8)
        drums = ["ride" if bar // 8 % 2 and "ride" in own else "hi-hat"]
        if bar % 4 == 3 and step >= 4 and toms:
            drums = [toms[(step - 4) % len(toms)]]
        elif step in (2, 6):
            drums.append("snare")
        elif step in (0, 3, 4):
            drums.append("kick")
        if i % 64 == 8:
            drums.append("unmiked")
        made += [_hit(rng, d, own, channels, i * eighth_s) for d in drums if d in own or d == "unmiked"]
    return tuple(sorted(made, key=lambda h: (h.time_s, h.drum)))


def _hit(rng: Generator, drum: str, own: Mapping[str, Channel], channels: tuple[Channel, ...], at_s: float) -> Hit:
    strength = float(rng.normal(0.0, 2.0))
    file = own[drum].file if drum in own else channels[min(9, len(channels) - 1)].file
    loudest = KIT[int(file[:2]) % len(KIT) - 1][6]
    return Hit(
        time_s=round(at_s + float(rng.normal(0.0, 0.004)), 5), drum=drum, file=file,
        peak_dbfs=loudest - 5.0 + strength, crest_db=float(rng.normal(18.0, 1.0)),
        attack_ms=float(rng.uniform(0.4, 3.0)), strength_db=strength, confidence=float(rng.uniform(0.8, 1.0)),
    )  # fmt: skip


def _drums(rng: Generator, channels: tuple[Channel, ...], hits: tuple[Hit, ...]) -> tuple[DrumMeasures, ...]:
    made = []
    for drum, channel in _own_mic(channels).items():
        peaks = [h.peak_dbfs for h in hits if h.drum == drum and h.peak_dbfs is not None]
        if peaks:
            made.append(
                DrumMeasures(
                    drum=drum, file=channel.file, n_hits=len(peaks), median_peak_dbfs=float(np.median(peaks)),
                    softest_peak_dbfs=min(peaks), loudest_peak_dbfs=max(peaks),
                    gate_window_db=float(rng.uniform(4.0, 20.0)), foreign_time_share=float(rng.uniform(0.05, 0.8)),
                )
            )  # fmt: skip
        else:
            none = (
                "median_peak_dbfs",
                "softest_peak_dbfs",
                "loudest_peak_dbfs",
                "gate_window_db",
                "foreign_time_share",
            )
            made.append(
                DrumMeasures(
                    drum=drum, file=channel.file, n_hits=0, unmeasured=dict.fromkeys(none, "the drum was never hit"),
                    **dict.fromkeys(none),
                )
            )  # fmt: skip
    return tuple(made)


# ---------------------------------------------------------------- measures
def _measures(
    rng: Generator, channel: Channel, i: int, hits: tuple[Hit, ...], duration_s: float, silent: bool
) -> ChannelMeasures:
    *_, peak, floor = KIT[i % len(KIT)]
    peak += float(rng.normal(0.0, 0.6))
    clipped = channel.role == "snare-top"
    runs = tuple(
        ClipRun(start_s=duration_s * (0.2 + 0.05 * k), n_samples=5, level_dbfs=-3.1, side="positive") for k in range(12)
    )
    values: dict[str, Any] = {
        "sample_peak_dbfs": peak, "sample_peak_time_s": duration_s * float(rng.uniform(0.1, 0.9)),
        "true_peak_dbtp": peak + float(rng.uniform(0.0, 0.6)), "rms_dbfs": peak - 24.0, "crest_db": 24.0,
        "hit_crest_db": 18.6, "integrated_lufs": peak - 17.0, "max_momentary_lufs": peak - 11.0,
        "max_short_term_lufs": peak - 14.0, "loudness_range_lu": float(rng.uniform(2.0, 9.0)),
        "noise_floor_dbfs": floor + float(rng.normal(0.0, 1.0)), "dc_fraction": 1e-6 * float(rng.normal()),
        "used_bits": 24,
    }  # fmt: skip
    unmeasured: dict[str, str] = {}
    if silent:
        values, unmeasured = dict.fromkeys(values), dict.fromkeys(values, REASON)
    elif channel.role in DISTANT_ROLES or channel.role in ("click", "talkback"):
        values["hit_crest_db"] = None
        unmeasured["hit_crest_db"] = "this microphone belongs to no drum"
    bands = ((20.0, 100.0, -3.0), (100.0, 1000.0, -6.0), (1000.0, 20000.0, -9.0))
    return ChannelMeasures(
        file=channel.file, role=channel.role, drum=DRUM_OF_ROLE.get(channel.role), rate_hz=RATE_HZ,
        n_frames=round(duration_s * RATE_HZ), duration_s=duration_s,
        noise_bands=() if silent else tuple(NoiseBand(low_hz=a, high_hz=b, level_dbfs=floor + d) for a, b, d in bands),
        clip_runs_n=12 if clipped and not silent else 0, clip_runs=runs if clipped and not silent else (),
        n_own_hits=sum(h.drum == DRUM_OF_ROLE.get(channel.role) for h in hits), unmeasured=unmeasured, **values,
    )  # fmt: skip


def _bleed(
    rng: Generator, channels: tuple[Channel, ...], hits: tuple[Hit, ...], silent: bool
) -> tuple[BleedEntry, ...]:
    counts = {d: sum(h.drum == d for h in hits) for d in DRUM_ORDER}
    made = []
    for channel in channels:
        own = DRUM_OF_ROLE.get(channel.role)
        for drum, n in counts.items():
            if own is None or drum == own or (n == 0 and not silent):
                continue
            level = float(rng.uniform(-38.0, -12.0)) + (6.0 if {own, drum} == {"snare", "hi-hat"} else 0.0)
            made.append(_bleed_entry(channel.file, drum, n, None if silent else level))
    return tuple(made)


def _bleed_entry(file: str, drum: str, n_hits: int, level: float | None) -> BleedEntry:
    if level is None:
        return BleedEntry(
            drum=drum, file=file, bleed_db=None, bleed_low_db=None, bleed_mid_db=None, bleed_high_db=None,
            spread_db=None, n_hits=0, unmeasured=dict.fromkeys(BleedEntry.NULLABLE, REASON),
        )  # fmt: skip
    return BleedEntry(
        drum=drum, file=file, bleed_db=level, bleed_low_db=level - 4.0, bleed_mid_db=level, bleed_high_db=level + 3.0,
        spread_db=2.1, n_hits=n_hits,
    )  # fmt: skip


def _low_end(channels: tuple[Channel, ...]) -> tuple[LowEndPair, ...]:
    """Every two mics; those of one drum alike, a close and a distant one against each other."""
    sides = {frozenset(pair) for pair in PAIRS}
    made = []
    for i, a in enumerate(channels):
        for b in channels[i + 1 :]:
            alike = 0.9 if DRUM_OF_ROLE.get(a.role) == DRUM_OF_ROLE.get(b.role) else -0.4
            spaced = frozenset((a.role, b.role)) in sides
            made.append(
                LowEndPair(
                    a=a.file, b=b.file, below_hz=150.0, correlation=alike, mono_db=10.0 * math.log10(1.0 + alike),
                    side_db=10.0 * math.log10((1.0 - alike) / (1.0 + alike)) if spaced else None,
                    unmeasured={} if spaced else {"side_db": "not a left and a right mic"},
                )
            )  # fmt: skip
    return tuple(made)


def _pairs(rng: Generator, channels: tuple[Channel, ...], hits: tuple[Hit, ...], silent: bool) -> tuple[PairEntry, ...]:
    own = _own_mic(channels)
    by_role = {c.role: c for c in reversed(channels)}
    made = []
    for drum, mic in own.items():
        n = sum(h.drum == drum for h in hits)
        for other in channels:
            if other is not mic and (DRUM_OF_ROLE.get(other.role) == drum or other.role in DISTANT_ROLES):
                far = other.role in DISTANT_ROLES
                metres = (other.to_snare_m or 1.0) + float(rng.uniform(-0.1, 0.4)) if far else 0.3
                made.append(_pair(rng, mic, other, drum, n, metres, silent))
    for left, right in PAIRS:
        if left in by_role and right in by_role:
            made += [
                _pair(rng, by_role[left], by_role[right], d, 90, float(rng.normal(0.02, 0.06)), silent)
                for d in ("snare", "kick")
                if d in own
            ]
    return tuple(made)


def _pair(rng: Generator, a: Channel, b: Channel, drum: str, n: int, metres: float, silent: bool) -> PairEntry:
    if silent:
        return PairEntry(
            a=a.file, b=b.file, drum=drum, n_hits=0, unmeasured=dict.fromkeys(PairEntry.NULLABLE, REASON),
            **dict.fromkeys(PairEntry.NULLABLE),
        )  # fmt: skip
    delay_ms = 1000.0 * metres / speed_of_sound_m_s(TEMPERATURE_C)
    fuller_db = float(rng.normal(1.0, 5.0))
    polarity: Polarity = "opposite" if b.role == "snare-bottom" else ("unclear" if rng.random() < 0.1 else "same")
    fuller: Fuller = "leave" if fuller_db > 3.0 else ("flip" if fuller_db < -3.0 else "move")
    return PairEntry(
        a=a.file, b=b.file, drum=drum, n_hits=n, delay_ms=delay_ms, delay_spread_ms=float(rng.uniform(0.01, 0.08)),
        path_cm=ms_to_cm(delay_ms, TEMPERATURE_C), polarity=polarity,
        polarity_confidence=0.4 if polarity == "unclear" else 0.95, fuller=fuller, fuller_db=fuller_db,
        fuller_agreement=float(rng.uniform(0.7, 1.0)), first_notch_hz=500.0 / max(abs(delay_ms), 0.01),
    )  # fmt: skip


# ---------------------------------------------------------------- findings
# code, severity, role it is about, message, action, value, unit, confidence, n_times, else_maybe
TEMPLATES: tuple[tuple[Any, ...], ...] = (
    ("clipping", "fix", "snare-top", "The loudest strokes on {label} are cut flat at {value:.1f} dBFS.",
     "Put the pad in on the {label} preamp, or move the microphone back by a hand.", -3.1, "dBFS", 0.95, 12,
     "A head that bottoms out can look alike on a few strokes."),
    ("low-level", "note", "ride", "{label} peaks at {value:.1f} dBFS: usable, with more hiss than the others.",
     "Raise its preamp by 6 dB for the next take.", -31.4, "dBFS", 0.9, 0, ""),
    ("click-bleed", "look", "overhead-left", "The headphone click can be heard in {label} in the last bars.",
     "Turn the click down in the headphones, or stop it before the last note rings out.", -41.0,
     "dB against the click", 0.8, 9, "Sticks counted in on the beat sound much the same."),
    ("moved-mic", "fix", "rack-tom-1", "{label} moved during the take: its arrival jumped by {value:.2f} ms.",
     "Tighten the boom, mark it with tape, and play the part again from the jump.", 0.42, "ms", 0.85, 1,
     "The tom itself may have slipped on its mount."),
    ("polarity", "fix", "snare-bottom", "{label} cancels the snare top: together they are thinner than alone.",
     "Flip the polarity of {label} and write it on the input list.", None, "", 0.97, 0,
     "If it is flipped at the preamp already, flip it back."),
    ("pair-offset", "look", "overhead-right", "The snare reaches {label} {value:.2f} ms later than the left one.",
     "Move the right overhead 10 cm closer to the snare, or leave it if the lean is wanted.", 0.31, "ms", 0.9, 0,
     "A wide pair set up on purpose."),
    ("hum", "look", "kick-out", "A steady tone of {value:.0f} Hz with its multiples stands over the noise of {label}.",
     "Move its cable away from power supplies and use one mains strip for all gear.", 50.0, "Hz", 0.7, 0,
     "A fan: it would be a little off 50 Hz."),
    ("snare-buzz", "note", "snare-bottom", "The snare wires buzz after the rack toms.",
     "Detune the tom a little, or accept it.", 8.0, "dB", 0.6, 31, ""),
    ("bleed", "note", "floor-tom", "Cymbals dominate {label} for most of the time between its strokes.",
     "Lower the cymbal angle, or plan to open the tom only for fills.", 0.7, "share of time", 0.75, 0, ""),
    ("dropout", "fix", "kick-in", "{label} stops for 12 ms while the other channels carry on.",
     "Use a larger buffer and play it again; this cannot be mended unheard.", 41.7, "s", 0.99, 2, ""),
    ("noise", "look", "room-left", "{label} hisses at {value:.1f} dBFS, 14 dB above the other channels.",
     "Check its preamp gain and its cable.", -52.3, "dBFS", 0.8, 0, "A fan or rain near that microphone."),
)  # fmt: skip


def _findings(
    rng: Generator,
    channels: tuple[Channel, ...],
    readable: tuple[Channel, ...],
    n: int,
    duration_s: float,
) -> tuple[Finding, ...]:
    broken = [
        Finding(
            code="unreadable-file", severity="fix", files=(c.file,), message=f"No audio could be read from {c.label}.",
            action="Export this file again from the session.",
        )
        for c in channels[len(readable) :]
    ]  # fmt: skip
    return (*broken, *(_finding(rng, readable, i, duration_s) for i in range(n)))


def _finding(rng: Generator, channels: tuple[Channel, ...], i: int, duration_s: float) -> Finding:
    code, severity, role, message, action, value, unit, confidence, n_times, else_maybe = TEMPLATES[i % len(TEMPLATES)]
    fitting = [c for c in channels if c.role == role] or list(channels)
    channel = fitting[i // len(TEMPLATES) % len(fitting)]
    times = np.sort(rng.uniform(0.05, 0.95, min(n_times, 20))) * duration_s
    again = f" (place {i // len(TEMPLATES) + 1})" if i >= len(TEMPLATES) else ""
    return Finding(
        code=code, severity=severity, files=(channel.file,),
        message=message.format(label=channel.label, value=value) + again, action=action.format(label=channel.label),
        value=value, unit=unit, confidence=confidence, times_s=tuple(round(float(t), 3) for t in times),
        n_times=n_times, else_maybe=else_maybe, drum=DRUM_OF_ROLE.get(role),
    )  # fmt: skip


SENTENCES: dict[VerdictWord, str] = {
    "keep": "Nothing was found that would make this take unusable. Listen to the ending once, then strike.",
    "fix-and-redo": "The playing is safe to repeat once these things are changed; later they cannot be undone.",
    "redo": "Samples are missing inside the music. The set-up can stay, but the take has to be played again.",
    "unknown": "Too little could be measured to say. Listen to every channel alone before you strike.",
}

WHY: dict[VerdictWord, str] = {
    "keep": "nothing", "fix-and-redo": "replay", "redo": "lost", "unknown": "no-strokes",
}  # fmt: skip


def _verdict(findings: tuple[Finding, ...], word: VerdictWord | None, *, good: bool) -> Verdict:
    to_fix = tuple(i for i, f in enumerate(findings) if f.severity == "fix")[:3]
    word = word or ("fix-and-redo" if to_fix else "keep")
    return Verdict(
        word=word, sentence=SENTENCES[word], red_lines=to_fix, good=GOOD if good else (),
        why=WHY[word], lost=("kick",) if word == "redo" else (), good_facts=GOOD_FACTS if good else (),
    )  # fmt: skip


# ---------------------------------------------------------------- pictures
def _moments(rng: Generator, channels: tuple[Channel, ...], findings: tuple[Finding, ...]) -> tuple[MomentPicture, ...]:
    """Noise in every mic around the first findings that have a time."""
    timed = [f for f in findings if f.times_s and f.severity != "note"][:8]
    return tuple(
        MomentPicture(
            code=f.code, finding_files=f.files, time_s=f.times_s[0], files=tuple(c.file for c in channels),
            start_ms=-5.0, span_ms=20.0, wave=0.1 * rng.standard_normal((len(channels), 200)),
        )
        for f in timed if channels
    )  # fmt: skip


def _pictures(
    rng: Generator, channels: tuple[Channel, ...], hits: tuple[Hit, ...], duration_s: float, silent: bool
) -> Pictures:
    band_hz = np.geomspace(20.0, 20000.0, 96)
    own = _own_mic(channels)
    shown = []
    for i, channel in enumerate(channels):
        shown += [
            _hit_picture(rng, channel.file, d, n, KIT[i % len(KIT)][6])
            for d in own
            if (n := sum(h.drum == d for h in hits))
            and (d == DRUM_OF_ROLE.get(channel.role) or (d == "snare" and i > 8))
        ]
    return Pictures(
        channels=tuple(_channel_picture(rng, c, i, hits, band_hz, duration_s, silent) for i, c in enumerate(channels)),
        hits=tuple(shown),
    )


def _channel_picture(
    rng: Generator,
    channel: Channel,
    i: int,
    hits: tuple[Hit, ...],
    band_hz: NDArray[np.float64],
    duration_s: float,
    silent: bool,
) -> ChannelPicture:
    n_wave, n_columns = 2000, 1000
    *_, peak, floor = KIT[i % len(KIT)]
    if silent:
        nothing = np.full(len(band_hz), -np.inf)
        return ChannelPicture(
            file=channel.file, duration_s=duration_s, wave_min=np.zeros(n_wave), wave_max=np.zeros(n_wave),
            band_hz=band_hz, spectrogram_dbfs=np.full((len(band_hz), n_columns), -np.inf),
            spectrum_dbfs=nothing, noise_spectrum_dbfs=nothing,
        )  # fmt: skip
    noise = floor - 18.0 + 4.0 * np.cos(np.arange(len(band_hz)) / 15.0)
    energy = 10.0 ** ((noise[:, None] + rng.normal(0.0, 1.5, (len(band_hz), n_columns))) / 10.0)
    wave = np.full(n_wave, 10.0 ** (floor / 20.0))
    for drum in {h.drum: None for h in hits}:
        here = 0.0 if DRUM_OF_ROLE.get(channel.role) == drum else (-9.0 if channel.role in DISTANT_ROLES else -24.0)
        mine = [h for h in hits if h.drum == drum]
        times = np.array([h.time_s for h in mine])
        level = peak - 5.0 + here + np.array([h.strength_db for h in mine])
        shape = -3.0 * np.log2(band_hz / DRUM_HZ[drum]) ** 2 / (3.0 if drum in ("snare", "unmiked") else 1.0)
        column = np.minimum((times / duration_s * n_columns).astype(int), n_columns - 1)
        envelope = np.full(n_columns, -200.0)
        np.maximum.at(envelope, column, level)
        for later in (1, 2, 3):  # the ring lasts a little longer than one column
            spread = np.roll(envelope, later) - 14.0 * later
            envelope = np.maximum(envelope, spread)
        energy += 10.0 ** ((envelope[None, :] + np.maximum(shape, -60.0)[:, None] - 12.0) / 10.0)
        slot = np.minimum((times / duration_s * n_wave).astype(int), n_wave - 1)
        np.maximum.at(wave, slot, 10.0 ** (level / 20.0))
    spectrogram = 10.0 * np.log10(energy)
    return ChannelPicture(
        file=channel.file, duration_s=duration_s, wave_min=-wave * rng.uniform(0.7, 1.0, n_wave), wave_max=wave,
        band_hz=band_hz, spectrogram_dbfs=spectrogram,
        spectrum_dbfs=10.0 * np.log10(np.mean(energy, axis=1)), noise_spectrum_dbfs=noise,
    )  # fmt: skip


def _hit_picture(rng: Generator, file: str, drum: str, n_hits: int, peak_dbfs: float) -> HitPicture:
    time_ms = np.arange(-5.0, 60.0, 1000.0 / RATE_HZ)
    hz = min(DRUM_HZ[drum], 2000)
    ring = np.exp(-np.maximum(time_ms, 0.0) / 14.0) * np.sin(2.0 * math.pi * hz * np.maximum(time_ms, 0.0) / 1000.0)
    stick = np.exp(-np.maximum(time_ms, 0.0) / 0.8) * rng.normal(0.0, 0.5, len(time_ms))
    mean = 10.0 ** (peak_dbfs / 20.0) * np.where(time_ms >= 0.0, ring + stick, 0.0)
    spread = 0.25 * np.abs(mean) + 0.004
    spectrum_hz = np.fft.rfftfreq(2048, 1.0 / RATE_HZ)[1:]
    spectrum = 20.0 * np.log10(np.abs(np.fft.rfft(mean[:2048]))[1:] / 1024.0 + 1e-9)
    return HitPicture(
        file=file, drum=drum, rate_hz=RATE_HZ, n_hits=n_hits, time_ms=time_ms, mean=mean, low=mean - spread,
        high=mean + spread, spectrum_hz=spectrum_hz, spectrum_dbfs=spectrum,
    )  # fmt: skip
