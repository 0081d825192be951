"""Records of a take without a fault, consistent in itself, for tests to bend one thing at a time.

Thirteen mics of a right-handed kit seen from the stool: the hi-hat side is left in both spaced pairs. Delays
follow from where drums and mics stand; the snare's bottom mic is flipped at the preamp, as it should be.
"""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from kitproof.find import Judgement, judge
from kitproof.model import (
    BleedEntry,
    Channel,
    ChannelMeasures,
    ClipRun,
    DrumMeasures,
    FileFacts,
    Finding,
    Hit,
    PairEntry,
    Take,
)
from kitproof.roles import DRUM_OF_ROLE, LABELS, OWN_MIC_ORDER, PAIRS

ROLES = ("kick", "snare-top", "snare-bottom", "hi-hat", "rack-tom-1", "rack-tom-2", "floor-tom", "ride",
         "overhead-left", "overhead-right", "room-left", "room-right")  # fmt: skip
HITS = {"kick": 60, "snare": 48, "hi-hat": 120, "rack-tom-1": 9, "rack-tom-2": 8, "floor-tom": 8, "ride": 40}
# drum -> delay to overhead left, overhead right, room left, room right, ms
DELAYS = {"kick": (3.0, 2.9, 6.4, 6.0), "snare": (2.4, 2.5, 7.2, 7.1), "hi-hat": (2.5, 3.5, 7.8, 8.6),
          "rack-tom-1": (2.5, 3.3, 7.5, 8.0), "rack-tom-2": (2.4, 2.7, 7.5, 7.4), "floor-tom": (4.0, 3.0, 9.0, 7.6),
          "ride": (3.2, 1.6, 8.2, 6.4)}  # fmt: skip
DISTANT = ("overhead-left", "overhead-right", "room-left", "room-right")
RATE_HZ, DURATION_S = 48000, 60.0
N_FRAMES = round(RATE_HZ * DURATION_S)


def file_of(role: str) -> str:
    """The file of a role in this take."""
    return f"{role}.wav"


def kit(roles: tuple[str, ...] = ROLES) -> dict[str, Any]:
    """All arguments of judge() for a take without a fault."""
    channels = tuple(
        Channel(file=file_of(r), path=file_of(r), index_in_file=0, role=r, role_source="take.toml", label=LABELS[r])
        for r in roles
    )
    take = Take(
        folder="Tidewall take 3", name="Tidewall take 3", song="Tidewall", number=3, tempo_bpm=104.0,
        temperature_c=20.0, temperature_declared=False, channels=channels, files=tuple(facts(r) for r in roles),
    )  # fmt: skip
    own = {d: file_of(r) for d, order in OWN_MIC_ORDER.items() for r in reversed(order) if r in roles}
    return {
        "take": take,
        "channels": tuple(measures(r, own) for r in roles),
        "drums": tuple(drum(d, file) for d, file in own.items()),
        "hits": tuple(sorted((h for d, file in own.items() for h in strokes(d, file)), key=lambda h: h.time_s)),
        "bleed": tuple(bleed(d, file) for o, file in own.items() for d in own if d != o),
        "pairs": pairs(roles, own),
    }


def facts(role: str) -> FileFacts:
    """Header of one file."""
    return FileFacts(
        path=file_of(role), size_bytes=44 + 3 * N_FRAMES, sha256="0" * 64, container="WAV", encoding="PCM_24",
        bit_depth=24, rate_hz=RATE_HZ, n_channels=1, n_frames=N_FRAMES, declared_frames=N_FRAMES,
    )  # fmt: skip


def measures(role: str, own: Mapping[str, str]) -> ChannelMeasures:
    """Numbers of one channel."""
    d = DRUM_OF_ROLE.get(role)
    times = d is not None and own.get(d) == file_of(role)
    return ChannelMeasures(
        file=file_of(role), role=role, drum=d, rate_hz=RATE_HZ, n_frames=N_FRAMES, duration_s=DURATION_S,
        sample_peak_dbfs=-8.0, sample_peak_time_s=12.0, true_peak_dbtp=-7.8, rms_dbfs=-35.0, crest_db=27.0,
        hit_crest_db=18.0 if times else None, integrated_lufs=-30.0, max_momentary_lufs=-20.0,
        max_short_term_lufs=-24.0, loudness_range_lu=5.0, noise_floor_dbfs=-76.0, noise_bands=(), dc_fraction=1e-6,
        used_bits=24, clip_runs_n=0, clip_runs=(), n_own_hits=HITS[d] if times and d else 0,
        unmeasured={} if times else {"hit_crest_db": "no drum of its own"},
    )  # fmt: skip


def drum(name: str, file: str) -> DrumMeasures:
    """One drum over the take."""
    return DrumMeasures(
        drum=name, file=file, n_hits=HITS[name], median_peak_dbfs=-12.0, softest_peak_dbfs=-30.0,
        loudest_peak_dbfs=-8.0, gate_window_db=12.0, foreign_time_share=0.4,
    )  # fmt: skip


def strokes(name: str, file: str) -> list[Hit]:
    """Evenly spread strokes."""
    step = (DURATION_S - 4.0) / HITS[name]
    return [
        Hit(
            time_s=2.0 + step * (i + 0.1 * len(name) / 10.0), drum=name, file=file, peak_dbfs=-12.0, crest_db=18.0,
            attack_ms=1.0, strength_db=0.0, confidence=0.9,
        )
        for i in range(HITS[name])
    ]  # fmt: skip


def bleed(name: str, file: str, level_db: float = -28.0) -> BleedEntry:
    """Bleed well out of the way."""
    return BleedEntry(
        drum=name, file=file, bleed_db=level_db, bleed_low_db=level_db, bleed_mid_db=level_db, bleed_high_db=level_db,
        spread_db=1.0, n_hits=HITS[name],
    )  # fmt: skip


def pair(a: str, b: str, name: str, delay_ms: float, fuller_db: float | None = 1.0) -> PairEntry:
    """One drum in two files, delay known to 0.03 ms."""
    fuller = None if fuller_db is None else ("move" if abs(fuller_db) < 3 else ("leave" if fuller_db > 0 else "flip"))
    reasons = {} if fuller_db is not None else dict.fromkeys(("fuller", "fuller_db", "fuller_agreement"), "a cymbal")
    return PairEntry(
        a=a, b=b, drum=name, n_hits=HITS[name], delay_ms=delay_ms, delay_spread_ms=0.03, path_cm=34.3 * delay_ms,
        polarity="same", polarity_confidence=0.9, fuller=fuller, fuller_db=fuller_db,
        fuller_agreement=None if fuller_db is None else 1.0, first_notch_hz=500.0, unmeasured=reasons,
    )  # fmt: skip


def pairs(roles: tuple[str, ...], own: Mapping[str, str]) -> tuple[PairEntry, ...]:
    """Own mics against everything, left against right for snare and kick."""
    made = []
    for name, file in own.items():
        low = None if name in ("hi-hat", "ride") else 1.0
        made += [
            pair(file, file_of(r), name, ms, low)
            for r, ms in zip(DISTANT, DELAYS[name], strict=True)
            if r in roles
        ]  # fmt: skip
    if {"snare-top", "snare-bottom"} <= set(roles):
        made.append(pair(file_of("snare-top"), file_of("snare-bottom"), "snare", 0.2, 8.0))
    for left, right in PAIRS:
        if left in roles and right in roles:
            i, j = DISTANT.index(left), DISTANT.index(right)
            made += [
                pair(file_of(left), file_of(right), d, DELAYS[d][j] - DELAYS[d][i], 9.0)
                for d in ("snare", "kick")
                if d in own
            ]  # fmt: skip
    return tuple(made)


# ---------------------------------------------------------------- bending one thing
def with_channel(records: dict[str, Any], role: str, **changes: Any) -> dict[str, Any]:
    """The same with other numbers for one channel."""
    changed = (replace(c, **changes) if c.role == role else c for c in records["channels"])
    return records | {"channels": tuple(changed)}


def with_declared(records: dict[str, Any], role: str, **changes: Any) -> dict[str, Any]:
    """The same with other declared facts for one channel."""
    take = records["take"]
    channels = tuple(replace(c, **changes) if c.role == role else c for c in take.channels)
    return records | {"take": replace(take, channels=channels)}


def with_facts(records: dict[str, Any], role: str, **changes: Any) -> dict[str, Any]:
    """The same with another header for one file."""
    take = records["take"]
    files = tuple(replace(f, **changes) if f.path == file_of(role) else f for f in take.files)
    return records | {"take": replace(take, files=files)}


def with_drum(records: dict[str, Any], name: str, **changes: Any) -> dict[str, Any]:
    """The same with other numbers for one drum."""
    return records | {"drums": tuple(replace(d, **changes) if d.drum == name else d for d in records["drums"])}


def with_pair(records: dict[str, Any], a: str, b: str, name: str, **changes: Any) -> dict[str, Any]:
    """The same with other numbers for one pair, given by roles."""
    ends = (file_of(a), file_of(b))
    changed = (replace(p, **changes) if (p.a, p.b) == ends and p.drum == name else p for p in records["pairs"])
    return records | {"pairs": tuple(changed)}


def shifted(records: dict[str, Any], role: str, by_ms: float) -> dict[str, Any]:
    """The same with everything on one channel later by a time, as an electronic delay does."""
    file = file_of(role)

    def late(p: PairEntry) -> PairEntry:
        sign = (p.b == file) - (p.a == file)
        return p if p.delay_ms is None else replace(p, delay_ms=p.delay_ms + sign * by_ms)

    return records | {"pairs": tuple(late(p) for p in records["pairs"])}


def exchanged(records: dict[str, Any], one: str, other: str) -> dict[str, Any]:
    """The same with the contents of two files exchanged, as far as the distant mics' delays go."""
    names = {file_of(one): file_of(other), file_of(other): file_of(one)}
    turned = tuple(replace(p, b=names.get(p.b, p.b)) for p in records["pairs"] if p.a not in names)
    return records | {"pairs": turned}


def clipped(role: str, records: dict[str, Any], times_s: list[float]) -> dict[str, Any]:
    """The same with flat tops on one channel, three runs at each time."""
    runs = tuple(
        ClipRun(start_s=t + 0.002 * k, n_samples=5, level_dbfs=-0.01, side="positive")
        for t in times_s
        for k in range(3)
    )
    return with_channel(records, role, clip_runs=runs[:200], clip_runs_n=len(runs), sample_peak_dbfs=0.0)


def silent(records: dict[str, Any], role: str) -> dict[str, Any]:
    """The same with one channel zero from end to end."""
    empty = {
        name: None for name in ChannelMeasures.NULLABLE if name != "dc_fraction"
    }  # fmt: skip
    changes: dict[str, Any] = {**empty, "n_own_hits": 0, "unmeasured": dict.fromkeys(empty, "silent")}
    return with_channel(records, role, **changes)


def told(records: dict[str, Any]) -> Judgement:
    """The judgement of these records."""
    return judge(**records)


def grave(judgement: Judgement) -> list[tuple[str, str]]:
    """(severity, code) of everything that is more than a note."""
    return [(f.severity, f.code) for f in judgement.findings if f.severity != "note"]


def the(judgement: Judgement, code: str) -> Finding:
    """The one finding with this code."""
    found = [f for f in judgement.findings if f.code == code]
    assert len(found) == 1, [f.message for f in judgement.findings]
    return found[0]
