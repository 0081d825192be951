"""Files that begin or end in the sound: measured in their first and last 10 ms, said once for each end."""

from dataclasses import replace

import numpy as np
import pytest

from findkit import file_of, grave, kit, the, told, with_channel, with_facts
from kitproof.measure.interference_ends import EndsMeter
from kitproof.observed.interference import FileEnds, LateSound
from synth import blocks, silence, tone

RATE_HZ = 48000


def ends_of(x, size=4096):
    meter = EndsMeter(RATE_HZ, "a.wav")
    for block in blocks(x, size):
        meter.push(block)
    (record,) = meter.records()
    return record


@pytest.mark.parametrize("size", [7, 480, 65536])
def test_the_level_at_both_ends_is_that_of_10_ms(size):
    """A sine of -20 dBFS at the start, -40 dBFS at the end: RMS 3.01 dB below, whatever the blocks."""
    found = ends_of(tone([(1.0, -20.0), (1.0, -40.0)], rate_hz=RATE_HZ), size)
    # Whole periods of 1 kHz fit into 10 ms.
    assert found.head_dbfs == pytest.approx(-23.01, abs=0.01)
    assert found.tail_dbfs == pytest.approx(-43.01, abs=0.01)


def test_an_offset_is_no_sound():
    """A wave off its centre line is as quiet at its ends as it sounds."""
    x = tone([(0.5, -60.0), (1.0, -10.0), (0.5, -60.0)], rate_hz=RATE_HZ) + 0.05
    assert ends_of(x).tail_dbfs == pytest.approx(-63.01, abs=0.01)


def test_digital_silence_has_no_level():
    """It is said so; a file of 5 ms has none either."""
    for x in (np.concatenate((silence(0.5, RATE_HZ), tone([(0.5, -20.0)], rate_hz=RATE_HZ)))[::-1], silence(0.005)):
        found = ends_of(x)
        assert found.tail_dbfs is None
        assert "digital silence" in found.unmeasured["tail_dbfs"]


def test_a_ring_falls_to_the_end_and_noise_does_not():
    """20 dB within the last half second, and nothing."""
    ring = tone([(1.0, -10.0), (0.4, -20.0), (0.4, -40.0)], rate_hz=RATE_HZ)
    assert ends_of(ring).tail_fall_db == pytest.approx(20.0, abs=0.01)  # from 0.6 to 0.4 s before the end at -20
    assert ends_of(tone([(1.0, -30.0)], rate_hz=RATE_HZ)).tail_fall_db == pytest.approx(0.0, abs=0.01)
    assert ends_of(tone([(0.5, -30.0)], rate_hz=RATE_HZ)).tail_fall_db is None


def ends(role, head=-76.0, tail=-76.0, fall=8.0):
    return FileEnds(file=file_of(role), head_dbfs=head, tail_dbfs=tail, tail_fall_db=fall)


def judged(*records, base=None):
    return told((base or kit()) | {"faults": records})


def test_a_take_that_ends_in_its_noise_is_whole():
    """The kit's noise is at -76 dBFS, and so are its ends; 15 dB more is a ring that has nearly gone."""
    assert grave(judged(ends("overhead-left"), ends("room-left", tail=-61.0))) == []


def test_a_ring_cut_short_is_said_once_for_all_channels():
    """The export stopped while the cymbals rang: 30 and 24 dB over the noise are worth a look."""
    j = judged(ends("kick"), ends("room-left", tail=-52.0), ends("overhead-left", tail=-46.0))

    cut = the(j, "ending-cut")
    assert (cut.severity, cut.value, cut.unit) == ("look", 30.0, "dB")
    assert cut.files == (file_of("overhead-left"), file_of("room-left"))
    assert "10 s after the last" in cut.action


def test_a_ring_cut_in_its_full_level_is_to_be_mended():
    """50 dB over the noise is a chop that everybody hears; the head is judged alike."""
    j = judged(ends("overhead-left", tail=-26.0), ends("snare-top", head=-20.0))
    assert [(f.severity, f.code) for f in j.findings] == [("fix", "ending-cut"), ("fix", "start-cut")]


def test_without_a_noise_floor_the_peak_tells():
    """A take that never falls silent, cut at both ends, has no floor to compare with: 36 dB under its peak is loud."""
    unknown = {"hit_crest_db": "no drum of its own", "noise_floor_dbfs": "nothing stays quiet"}
    base = with_channel(kit(), "overhead-left", noise_floor_dbfs=None, unmeasured=unknown)
    assert the(judged(ends("overhead-left", tail=-44.0), base=base), "ending-cut").value == pytest.approx(24.0)
    assert grave(judged(ends("overhead-left", tail=-52.0), base=base)) == []


def test_a_file_that_was_copied_in_part_is_told_as_that():
    """A truncated file ends in the sound because it is truncated."""
    base = with_facts(kit(), "overhead-left", problem="truncated", problem_text="cut.wav: half of it is missing")
    assert "ending-cut" not in [c for _, c in grave(judged(ends("overhead-left", tail=-30.0), base=base))]


def test_noise_that_came_up_is_no_ring():
    """A fan at the end is loud to the last sample, and nothing was cut."""
    fan = LateSound(
        start_s=58.0, end_s=59.9, files=(file_of("room-left"),), level_dbfs=-45.0, rise_db=30.0, place="ending",
        kind="steady",
    )  # fmt: skip
    assert grave(judged(ends("room-left", tail=-45.0, fall=0.4))) == []
    j = judged(ends("room-left", tail=-45.0), fan)
    assert [f.code for f in j.findings] == ["late-noise"]
    assert [f.code for f in judged(ends("room-left", tail=-45.0), replace(fan, kind="sound")).findings] == [
        "ending-cut", "late-noise",
    ]  # fmt: skip
