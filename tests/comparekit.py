"""Takes made up from one kit, so that what changed between two of them is known exactly.

A drum is heard in a mic at a level that follows from the mic's gain, the player and the distance; every figure
carries a small error of its own, drawn from the seed.
"""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

import findkit
from kitproof.compare import Reading
from kitproof.model import Finding, Hit, Measurements, Verdict
from kitproof.observed import Observed
from kitproof.observed.heard import Heard
from kitproof.observed.instrument import DrumRing
from kitproof.observed.timing import Grid
from kitproof.roles import DISTANT_ROLES, DRUM_OF_ROLE, OWN_MIC_ORDER

BEAT_S = 0.5
NONE: Mapping[str, float] = {}
ERROR_DB = 0.2  # of every level
ERROR_MS = 0.01  # of every delay; said to be 0.03
SPREAD_DB = 3.0  # of strokes

file_of = findkit.file_of


def take(
    number: int = 1,
    *,
    roles: tuple[str, ...] = findkit.ROLES,
    gain: Mapping[str, float] = NONE,  # by role, dB
    strength: Mapping[str, float] = NONE,  # by drum, dB
    closer: Mapping[str, float] = NONE,  # by drum: its own mic, dB
    moved: Mapping[str, float] = NONE,  # by role, ms
    crept: Mapping[str, float] = NONE,  # by drum, ms
    late_hz: Mapping[str, float] = NONE,  # by drum
    noise_db: Mapping[str, float] = NONE,  # by role
    noise: bool = True,
    findings: tuple[Finding, ...] = (),
    verdict: str = "keep",
    exact: bool = False,  # no errors drawn
) -> Measurements:
    """One take."""
    rng = np.random.default_rng(0 if exact else number)
    records = findkit.kit(roles)

    def off(size: float) -> float:
        return 0.0 if exact else float(rng.normal(0.0, size))

    own = {d: file_of(r) for d, order in OWN_MIC_ORDER.items() for r in reversed(order) if r in roles}
    g = {file_of(r): gain.get(r, 0.0) for r in roles}
    s = {d: strength.get(d, 0.0) for d in own}
    c = {d: closer.get(d, 0.0) for d in own}
    channels = []
    for x in records["channels"]:
        floor = -76.0 + g[x.file] + noise_db.get(x.role, 0.0) + off(0.5)
        why = dict(x.unmeasured) | ({} if noise else {"noise_floor_dbfs": "no quiet stretch"})
        channels.append(replace(x, noise_floor_dbfs=floor if noise else None, unmeasured=why))
    hits = tuple(_hit(h, rng, s[h.drum], g[own[h.drum]] + c[h.drum]) for h in records["hits"])
    bleed = tuple(
        replace(b, bleed_db=b.bleed_db + s[b.drum] - s[DRUM_OF_ROLE[b.file[:-4]]]
                - c[DRUM_OF_ROLE[b.file[:-4]]] + off(ERROR_DB))
        for b in records["bleed"]
    )  # fmt: skip
    heard = []
    for r in roles:
        for d in own:
            mine = DRUM_OF_ROLE.get(r) == d
            if not mine and r not in DISTANT_ROLES:
                continue
            nearer = c[d] if file_of(r) == own[d] else 0.0
            level = -30.0 + s[d] + g[file_of(r)] + nearer + off(ERROR_DB)
            over = -18.0 + g[file_of(r)] + nearer - g[own[d]] - c[d] + off(ERROR_DB)
            heard.append(Heard(file=file_of(r), drum=d, n_strokes=20, level_dbfs=level, over_own_db=over,
                               error_db=ERROR_DB))  # fmt: skip
    pairs = tuple(
        replace(p, delay_ms=p.delay_ms + off(ERROR_MS) + moved.get(p.b[:-4], 0.0) - moved.get(p.a[:-4], 0.0)
                + (crept.get(p.drum, 0.0) if p.a == own[p.drum] else 0.0))
        for p in records["pairs"]
    )  # fmt: skip
    return Measurements(
        take=replace(records["take"], number=number, name=f"Tidewall take {number}", folder=f"Tidewall take {number}"),
        channels=tuple(channels), drums=records["drums"], hits=hits, bleed=bleed, pairs=pairs, findings=findings,
        not_checked=(), settings={}, versions={"kitproof": "0.1.0"},
        verdict=Verdict(word=verdict, sentence="", red_lines=(), good=()),  # type: ignore[arg-type]
        observed=Observed(
            heard=tuple(heard), grids=(grid(),),
            rings=tuple(ring(d, own[d], hz) for d, hz in ({"snare": 190.0} | dict(late_hz)).items() if d in own),
        ),
    )  # fmt: skip


def _hit(h: Hit, rng: Any, harder_db: float, louder_db: float) -> Hit:
    """A stroke of some strength; harder ones are more pointed."""
    strength = float(rng.normal(0.0, SPREAD_DB))
    return replace(
        h, strength_db=strength, peak_dbfs=-14.0 + strength + harder_db + louder_db,
        crest_db=18.0 + 0.5 * (strength + harder_db), attack_ms=1.0,
    )  # fmt: skip


def grid() -> Grid:
    """Four beats of half a second to the bar, bar 1 from the start, from a click."""
    n = int(findkit.DURATION_S / BEAT_S)
    return Grid(source="click", tempo_bpm=120.0, tempo_spread_bpm=0.0, beats_s=tuple(BEAT_S * i for i in range(n)),
                confidence=0.9, beats_per_bar=4, first_bar=0, bar_source="click")  # fmt: skip


def ring(drum: str, file: str, late_hz: float | None, early_hz: float | None = None) -> DrumRing:
    """A tuning log with a late pitch, or an early one only."""
    values = dict.fromkeys(DrumRing.NULLABLE)
    known = {"late_hz": late_hz, "late_spread_cents": 5.0 if late_hz else None, "early_hz": early_hz,
             "early_spread_cents": 20.0 if early_hz else None}  # fmt: skip
    values |= known
    why = {name: "not looked at" for name, value in values.items() if value is None}
    return DrumRing(drum=drum, file=file, n_strokes=20, late_n=20 if late_hz else 0, unmeasured=why, **values)


def finding(code: str, severity: str, role: str = "snare-top", times_s: tuple[float, ...] = (), n: int = 0) -> Finding:
    """Something found in one channel."""
    return Finding(code=code, severity=severity, files=(file_of(role),), message="M.", action="A.",  # type: ignore[arg-type]
                   times_s=times_s, n_times=n or len(times_s))  # fmt: skip


def with_hits(m: Measurements, places: Mapping[str, list[float]]) -> Measurements:
    """The same with strokes of these drums at these beats (from 0) only."""
    hits = tuple(
        Hit(time_s=BEAT_S * beat, drum=drum, file=file_of("kick" if drum == "kick" else "snare-top"), peak_dbfs=-12.0,
            crest_db=18.0, attack_ms=1.0, strength_db=0.0, confidence=0.95)
        for drum, beats in places.items() for beat in beats
    )  # fmt: skip
    return replace(m, hits=tuple(sorted(hits, key=lambda h: h.time_s)))


def reading(*args: Any, **options: Any) -> Reading:
    """A take to be compared, without pictures."""
    return Reading(take(*args, **options))
