"""A tom that rings along: its own mode in its own mic after strokes of other drums.

Of every drum the strokes after which the tom itself has been silent for long enough are taken. A third of a second
later the kick and the snare are over, and what is left at the tom's own pitch is the tom, if it stands out there as
a tone. Its level is held against what the tom's own strokes leave at the same time.

Conventions: excerpts as in ring.py; levels in dB, median against median.

Source
------
Own work; that toms answer kick and snare, and that only the level tells whether it matters, is common practice.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from kitproof.measure import ring
from kitproof.measure.ring import Float64Array
from kitproof.measure.views import ChannelView
from kitproof.observed.instrument import DrumRing, SympatheticRing
from kitproof.reasons import FEW_TOM_SILENT

BEFORE_S = (-0.26, -0.01)
AFTER_S = (0.2, 0.65)
LEAD_S, TAIL_S = 0.3, 0.67
OWN_BEFORE_S = 2.5  # at least, and until the own ring has fallen by OWN_FALL_DB
OWN_FALL_DB = 50.0
OWN_AFTER_S = 0.7
MODE_HZ = 2.5  # half width of the band around the mode: most of a window's main lobe
BESIDE_HZ = (5.0, 11.0)  # to either side, where the surroundings are measured: just outside it
MOST_STROKES = 16
FEWEST = 4
FEWEST_OWN = 3
NAMES = ("level_db", "rise_db", "tone_db")


def sympathetic_rings(view: ChannelView, log: DrumRing) -> Iterator[SympatheticRing]:
    """What each kick, snare and other tom leaves ringing in a tom; nothing if the tom's late pitch is not known."""
    if log.late_hz is None or "tom" not in log.drum:
        return
    own = view.brief.drums[log.drum].time_s
    reference = _powers(view, _spread_out(own), log.late_hz)[1]
    quiet_s = max(OWN_BEFORE_S, OWN_FALL_DB / 60.0 * (log.decay_s or 0.0))
    for drum, strokes in view.brief.drums.items():
        if drum != log.drum and (drum in ("kick", "snare") or "tom" in drum):
            chosen = _spread_out(strokes.time_s[_silent(strokes.time_s, own, quiet_s)])
            yield _answer(view, log, drum, chosen, reference)


def _answer(
    view: ChannelView, log: DrumRing, drum: str, chosen: Float64Array, reference: Float64Array
) -> SympatheticRing:
    if len(chosen) < FEWEST or len(reference) < FEWEST_OWN:
        return SympatheticRing(
            file=view.file, drum=log.drum, by=drum, n_strokes=len(chosen), level_db=None, rise_db=None, tone_db=None,
            unmeasured=dict.fromkeys(NAMES, FEW_TOM_SILENT),
        )  # fmt: skip
    before, after, beside = _powers(view, chosen, log.late_hz or 0.0)
    level, rise, tone = (
        10.0 * float(np.log10(max(np.median(a), 1e-20) / max(np.median(b), 1e-20)))
        for a, b in ((after, reference), (after, before), (after, beside))
    )
    return SympatheticRing(
        file=view.file, drum=log.drum, by=drum, n_strokes=len(chosen), level_db=level, rise_db=rise, tone_db=tone
    )  # fmt: skip


def _powers(view: ChannelView, time_s: Float64Array, tone_hz: float) -> tuple[Float64Array, Float64Array, Float64Array]:
    """Around each stroke: the mode's band before it, after it, and the bands beside it as wide as the mode's."""
    rows = []
    n = round((LEAD_S + TAIL_S) * view.rate_hz)
    for t in time_s:
        low, rate = ring.thin(view.read(round((t - LEAD_S) * view.rate_hz), n), view.rate_hz)
        x = low[None, :]
        shift = LEAD_S - ring.LEAD_S
        spans = [(a + shift, b + shift) for a, b in (BEFORE_S, AFTER_S)]
        near, far = BESIDE_HZ
        sides = [(tone_hz - far, tone_hz - near), (tone_hz + near, tone_hz + far)]
        width = 2.0 * MODE_HZ / (far - near)
        # The higher side counts: the skirt of another drum's tone is no tone here.
        beside = max(float(ring.band_power(x, rate, band, spans[1])[0]) for band in sides) * width
        mode = (tone_hz - MODE_HZ, tone_hz + MODE_HZ)
        rows.append([float(ring.band_power(x, rate, mode, span)[0]) for span in spans] + [beside])
    table = np.array(rows).reshape(-1, 3)
    return table[:, 0], table[:, 1], table[:, 2]


def _spread_out(time_s: Float64Array) -> Float64Array:
    if len(time_s) <= MOST_STROKES:
        return time_s
    return np.asarray(time_s[np.linspace(0, len(time_s) - 1, MOST_STROKES).round().astype(int)])


def _silent(time_s: Float64Array, own: Float64Array, quiet_s: float) -> NDArray[np.bool_]:
    """Strokes with none of the tom's own so long before them, nor just after."""
    first, last = np.searchsorted(own, time_s - quiet_s), np.searchsorted(own, time_s + OWN_AFTER_S)
    return np.asarray(first == last)
