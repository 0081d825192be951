"""Measures become records: no number is born here, and every None says why."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

import synth
from kitproof.assemble import channel_measures, drum_measures, hits_of
from kitproof.measure.bleed import BleedMeasures
from kitproof.measure.ownmic import StrokeMeasures
from kitproof.measure.scan import ChannelScan, scan_channel
from kitproof.model import BleedEntry, Channel, Hit
from kitproof.reasons import NO_BLEED, NOT_HIT, SILENT

RATE_HZ = 48000
NOTHING = BleedMeasures(entries=(), foreign_time_share={})


@dataclass(frozen=True)
class Found:
    """A stroke as the search for hits gives it."""

    time_s: float
    drum: str
    file: str
    confidence: float = 0.9


@dataclass(frozen=True)
class Exact:
    """Strokes of one drum in one file with their numbers."""

    drum: str
    file: str
    strokes: tuple[Found, ...]
    measures: StrokeMeasures


def exact(drum: str, peaks: list[float], *, file: str = "", first_s: float = 1.0) -> Exact:
    file = file or f"{drum}.wav"
    time_s = first_s + 0.5 * np.arange(len(peaks))
    return Exact(
        drum=drum,
        file=file,
        strokes=tuple(Found(float(t), drum, file) for t in time_s),
        measures=StrokeMeasures(
            time_s=time_s + 0.0004,
            peak=np.array(peaks),
            crest_db=np.where(np.array(peaks) > 0.0, 12.0, np.nan),
            attack_ms=np.full(len(peaks), 1.5),
        ),
    )


def hits(*groups: Exact) -> tuple[Hit, ...]:
    return hits_of(groups)


def channel(role: str, file: str = "x.wav") -> Channel:
    return Channel(file=file, path=file, index_in_file=0, role=role, role_source="take.toml", label=role)


@pytest.fixture(scope="module")
def silent_scan() -> ChannelScan:
    """The one pass over half a second of nothing."""
    return scan_channel([np.zeros(24000)], rate_hz=RATE_HZ, n_frames=24000, integer_bits=24, file="x.wav")


# ------------------------------------------------------------------------------------ hits
def test_hits_carry_the_numbers_of_their_samples() -> None:
    """Time, peak, crest factor and attack are those measured, strength is against the drum's median."""
    first, second, third = hits(exact("snare", [0.5, 1.0, 0.25]))

    assert [h.time_s for h in (first, second, third)] == pytest.approx([1.0004, 1.5004, 2.0004])
    assert second.peak_dbfs == 0.0
    assert [h.strength_db for h in (first, second, third)] == pytest.approx([0.0, 6.02, -6.02], abs=0.01)
    assert (first.crest_db, first.attack_ms, first.confidence) == (12.0, 1.5, 0.9)


def test_hits_come_in_order_of_time() -> None:
    """Whatever the order in which drums were measured."""
    found = hits(exact("snare", [0.5, 0.5], first_s=2.0), exact("kick", [0.5, 0.5], first_s=1.8))

    assert [h.drum for h in found] == ["kick", "snare", "kick", "snare"]


def test_strength_is_against_the_drum_wherever_it_was_heard() -> None:
    """Unmiked strokes heard by two overheads share one median."""
    found = hits(exact("unmiked", [0.4], file="L"), exact("unmiked", [0.1, 0.1], file="R", first_s=3.0))

    assert [h.strength_db for h in found] == pytest.approx([12.04, 0.0, 0.0], abs=0.01)


def test_a_silent_hit_has_no_levels_and_says_so() -> None:
    """Nothing is as loud as minus infinity."""
    found = hits(exact("snare", [0.0, 0.5, 0.5]))[0]

    assert (found.peak_dbfs, found.crest_db, found.attack_ms, found.strength_db) == (None,) * 4
    assert set(found.unmeasured) == {"peak_dbfs", "crest_db", "attack_ms", "strength_db"}


def test_strength_against_a_silent_median_is_none() -> None:
    """One audible stroke among silent ones has a peak but nothing to be compared with."""
    found = hits(exact("snare", [0.0, 0.0, 0.5]))[2]

    assert found.peak_dbfs is not None
    assert found.strength_db is None
    assert set(found.unmeasured) == {"strength_db"}


def test_nothing_found_gives_no_hits() -> None:
    """Empty in, empty out."""
    assert hits() == ()


# ------------------------------------------------------------------------------------ channels
def test_the_crest_of_a_channel_is_the_median_of_its_own_hits(silent_scan: ChannelScan) -> None:
    """And they are counted."""
    found = channel_measures(
        channel("snare-top", "snare.wav"), silent_scan, RATE_HZ, 24000, hits(exact("snare", [0.5] * 3)),
        {"snare": "snare.wav"},
    )  # fmt: skip

    assert (found.hit_crest_db, found.n_own_hits, found.drum, found.duration_s) == (12.0, 3, "snare", 0.5)


@pytest.mark.parametrize(
    ("role", "peaks", "own", "reason"),
    [
        ("overhead", [0.5], {"snare": "snare.wav"}, "this mic belongs to no single drum"),
        ("snare-bottom", [0.5], {"snare": "snare.wav"}, "the drum's hits are measured in its other mic"),
        ("kick", [], {"kick": "x.wav"}, NOT_HIT),
        ("kick", [0.0], {"kick": "x.wav"}, SILENT),
    ],
)
def test_no_crest_of_hits_has_the_right_reason(
    silent_scan: ChannelScan, role: str, peaks: list[float], own: dict[str, str], reason: str
) -> None:
    """It matters to the reader whether nobody hit the drum or nobody could know."""
    drum = "kick" if role == "kick" else "snare"
    group = exact(drum, peaks, file="x.wav" if role == "kick" else "snare.wav")
    found = channel_measures(channel(role), silent_scan, RATE_HZ, 24000, hits(group) if peaks else (), own)

    assert found.hit_crest_db is None
    assert found.unmeasured["hit_crest_db"] == reason


def test_every_none_of_a_silent_channel_has_a_reason(silent_scan: ChannelScan) -> None:
    """None and reason go together, field by field, neither without the other."""
    found = channel_measures(channel("room"), silent_scan, RATE_HZ, 24000, (), {})
    missing = {name for name in found.NULLABLE if getattr(found, name) is None}

    assert {"sample_peak_dbfs", "integrated_lufs", "crest_db", "hit_crest_db"} <= missing
    assert set(found.unmeasured) == missing
    assert all(found.unmeasured.values())


# ------------------------------------------------------------------------------------ drums
def bleed(drum: str, file: str, bleed_db: float | None) -> BleedEntry:
    names = ("bleed_db", "bleed_low_db", "bleed_mid_db", "bleed_high_db", "spread_db")
    values = dict.fromkeys(names, bleed_db)
    return BleedEntry(
        drum=drum, file=file, n_hits=5, unmeasured=dict.fromkeys(names, "hidden") if bleed_db is None else {}, **values
    )  # fmt: skip


def test_a_drum_is_the_median_and_the_ends_of_its_hits() -> None:
    """Peaks in dBFS, the count, and the share of the time that is foreign."""
    heard = BleedMeasures(entries=(bleed("kick", "snare.wav", -20.0),), foreign_time_share={"snare.wav": 0.3})
    found = drum_measures({"snare": "snare.wav"}, hits(exact("snare", [1.0, 0.5, 0.1])), heard)[0]

    assert (found.n_hits, found.foreign_time_share) == (3, 0.3)
    assert found.median_peak_dbfs == pytest.approx(synth.dbfs(0.5))
    assert found.softest_peak_dbfs == pytest.approx(-20.0)
    assert found.loudest_peak_dbfs == 0.0


def test_the_gate_window_is_the_softest_own_over_the_loudest_foreign_stroke() -> None:
    """Equal own strokes, one foreign drum 20 dB down whose loud strokes are 6 dB over its median: 14 dB are left."""
    own, foreign = exact("snare", [0.5] * 10), exact("kick", [0.25] * 12 + [0.5] * 8, first_s=1.2)
    heard = BleedMeasures(
        entries=(bleed("kick", "snare.wav", -20.0), bleed("hi-hat", "snare.wav", None)),
        foreign_time_share={"snare.wav": 0.3},
    )
    found = drum_measures({"snare": "snare.wav"}, hits(own, foreign), heard)[0]

    assert found.gate_window_db == pytest.approx(20.0 - 6.02, abs=0.01)


def test_louder_bleed_closes_the_gate_window() -> None:
    """Decibel by decibel."""
    own, foreign = exact("snare", [0.5] * 4), exact("kick", [0.5] * 4, first_s=1.2)
    windows = [
        drum_measures(
            {"snare": "snare.wav"}, hits(own, foreign),
            BleedMeasures(entries=(bleed("kick", "snare.wav", db),), foreign_time_share={"snare.wav": 0.3}),
        )[0].gate_window_db
        for db in (-30.0, -20.0, 5.0)
    ]  # fmt: skip

    assert windows == pytest.approx([30.0, 20.0, -5.0])


def test_a_drum_that_was_not_hit_says_so_everywhere() -> None:
    """All five figures are None for the same reason."""
    found = drum_measures({"snare": "snare.wav"}, (), NOTHING)[0]

    assert found.n_hits == 0
    assert set(found.unmeasured) == set(found.NULLABLE)
    assert set(found.unmeasured.values()) == {NOT_HIT}


def test_a_failed_bleed_measure_is_not_called_a_drum_without_hits() -> None:
    """The hits were there; what is missing is the bleed."""
    found = drum_measures({"snare": "snare.wav"}, hits(exact("snare", [0.5] * 3)), NOTHING)[0]

    assert found.median_peak_dbfs is not None
    assert found.unmeasured == {"gate_window_db": NO_BLEED, "foreign_time_share": NO_BLEED}


def test_a_mic_that_hears_no_other_drum_has_no_gate_window() -> None:
    """Nothing to keep the gate shut against: None, and not infinity."""
    heard = BleedMeasures(entries=(bleed("kick", "snare.wav", None),), foreign_time_share={"snare.wav": 0.0})
    found = drum_measures({"snare": "snare.wav"}, hits(exact("snare", [0.5] * 3)), heard)[0]

    assert found.gate_window_db is None
    assert found.unmeasured["gate_window_db"] == "no other drum stands out in this mic"


def test_drums_come_in_the_usual_order() -> None:
    """Kick before snare before hi-hat, whatever order they were given in."""
    own = {"hi-hat": "h", "floor-tom": "f", "snare": "s", "kick": "k"}

    assert [d.drum for d in drum_measures(own, (), NOTHING)] == ["kick", "snare", "hi-hat", "floor-tom"]
