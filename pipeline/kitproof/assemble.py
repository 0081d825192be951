"""Measures put together into the records that are saved: no number is born here."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kitproof.measure.bleed import BleedMeasures
from kitproof.measure.hits import Stroke
from kitproof.measure.ownmic import StrokeMeasures
from kitproof.measure.scan import ChannelScan
from kitproof.model import Channel, ChannelMeasures, DrumMeasures, Hit
from kitproof.reasons import NO_BLEED, NO_OTHER_DRUM, NO_SINGLE_DRUM, NOT_HIT, OTHER_OWN_MIC, SILENT
from kitproof.roles import DRUM_OF_ROLE, DRUM_ORDER


def hits_of(own_strokes: Collection[Any]) -> tuple[Hit, ...]:
    """All hits in order of time, with peak, crest factor, attack and strength from the own mic's samples.

    own_strokes : of every drum and file, as struck.OwnStrokes
    """
    out: list[Hit] = []
    medians: dict[str, float] = {}
    for drum in {o.drum for o in own_strokes}:
        peaks = np.concatenate([o.measures.peak for o in own_strokes if o.drum == drum])
        medians[drum] = float(np.median(peaks))
    for o in own_strokes:
        for i, s in enumerate(o.strokes):
            out.append(_hit(s, o.measures, i, medians[o.drum]))
    return tuple(sorted(out, key=lambda h: (h.time_s, h.drum, h.file)))


def _hit(s: Stroke, m: StrokeMeasures, i: int, median: float) -> Hit:
    peak, crest = float(m.peak[i]), float(m.crest_db[i])
    reasons: dict[str, str] = {}
    if peak <= 0.0:
        reasons = dict.fromkeys(("peak_dbfs", "strength_db", "attack_ms"), SILENT)
    if not np.isfinite(crest):
        reasons["crest_db"] = SILENT
    heard = peak > 0.0
    if heard and median <= 0.0:
        reasons["strength_db"] = SILENT
    return Hit(
        time_s=float(m.time_s[i]), drum=s.drum, file=s.file,
        peak_dbfs=20.0 * float(np.log10(peak)) if heard else None,
        crest_db=crest if np.isfinite(crest) else None,
        attack_ms=float(m.attack_ms[i]) if heard else None,
        strength_db=20.0 * float(np.log10(peak / median)) if heard and median > 0.0 else None,
        confidence=float(s.confidence), unmeasured=reasons,
    )  # fmt: skip


def channel_measures(
    c: Channel, scan: ChannelScan, rate_hz: int, n_frames: int, hits: tuple[Hit, ...], own: Mapping[str, str]
) -> ChannelMeasures:
    """All numbers of one channel."""
    drum = DRUM_OF_ROLE.get(c.role)
    mine = [h for h in hits if h.drum == drum and own.get(h.drum) == c.file]
    crests = [h.crest_db for h in mine if h.crest_db is not None]
    values = scan.measures()
    reasons = dict(values.pop("unmeasured"))
    if not crests:
        if drum is None:
            reasons["hit_crest_db"] = NO_SINGLE_DRUM
        elif own.get(drum) != c.file:
            reasons["hit_crest_db"] = OTHER_OWN_MIC
        else:
            reasons["hit_crest_db"] = SILENT if mine else NOT_HIT
    return ChannelMeasures(
        file=c.file, role=c.role, drum=drum, rate_hz=rate_hz, n_frames=n_frames, duration_s=n_frames / rate_hz,
        hit_crest_db=float(np.median(crests)) if crests else None, n_own_hits=len(mine),
        unmeasured=reasons, **values,
    )  # fmt: skip


def drum_measures(own: Mapping[str, str], hits: tuple[Hit, ...], bleed: BleedMeasures) -> tuple[DrumMeasures, ...]:
    """One entry for every drum that has a mic of its own, in the usual order."""
    return tuple(_drum(drum, own[drum], hits, bleed) for drum in DRUM_ORDER if drum in own)


def _drum(drum: str, file: str, hits: tuple[Hit, ...], bleed: BleedMeasures) -> DrumMeasures:
    peaks: NDArray[np.float64] = np.array([h.peak_dbfs for h in hits if h.drum == drum and h.peak_dbfs is not None])
    reasons: dict[str, str] = {}
    if len(peaks) == 0:
        reasons = dict.fromkeys(("median_peak_dbfs", "softest_peak_dbfs", "loudest_peak_dbfs"), NOT_HIT)
    share = bleed.foreign_time_share.get(file)
    if share is None:
        reasons["foreign_time_share"] = NOT_HIT if len(peaks) == 0 else NO_BLEED
    window, why_not = _gate_window(drum, file, hits, bleed)
    if window is None:
        reasons["gate_window_db"] = why_not
    return DrumMeasures(
        drum=drum, file=file, n_hits=sum(h.drum == drum for h in hits),
        median_peak_dbfs=float(np.median(peaks)) if len(peaks) else None,
        softest_peak_dbfs=float(peaks.min()) if len(peaks) else None,
        loudest_peak_dbfs=float(peaks.max()) if len(peaks) else None,
        gate_window_db=window, foreign_time_share=share, unmeasured=reasons,
    )  # fmt: skip


def _gate_window(drum: str, file: str, hits: tuple[Hit, ...], bleed: BleedMeasures) -> tuple[float | None, str]:
    """Weakest own strokes (10th percentile) over the loudest strokes of the other drums in the own mic, dB.

    The loudest foreign stroke is the loudest bleed at the median stroke plus how much louder than its
    median that drum's loud strokes (90th percentile) are.
    """
    own = [h.strength_db for h in hits if h.drum == drum and h.strength_db is not None]
    foreign: list[float] = []
    for b in bleed.entries:
        if b.file == file and b.bleed_db is not None:
            strengths = [h.strength_db for h in hits if h.drum == b.drum and h.strength_db is not None]
            if strengths:
                foreign.append(b.bleed_db + float(np.percentile(strengths, 90)))
    if not own:
        return None, NOT_HIT
    if file not in bleed.foreign_time_share:
        return None, NO_BLEED
    if not foreign:
        return None, NO_OTHER_DRUM
    return float(np.percentile(own, 10)) - max(foreign), ""
