"""Click bleed: a known click in a mic, under drums and without."""

import numpy as np
import pytest

import synth
from kitproof.measure.clickbleed import AFTER_S, BEFORE_S, CLICK_S, click_onsets, find_click

RATE = synth.RATE_HZ
N_CLICKS = 40
BEFORE = round(BEFORE_S * RATE)
LEVEL_DB = 2.0  # under noise, from 40 clicks


def click():
    time = np.arange(round(CLICK_S * RATE)) / RATE
    return 0.5 * np.sin(2.0 * np.pi * 1500.0 * time) * np.exp(-time / 0.004)


def excerpts(seed, *, bleed_db=None, delay_ms=3.0, noise_db=-75.0, struck=0.7):
    """Clicks, and a mic in which a drum falls on most of them, give or take 6 ms."""
    rng = np.random.default_rng(seed)
    clicks = np.tile(click(), (N_CLICKS, 1))
    n = BEFORE + round(AFTER_S * RATE) + clicks.shape[1]
    heard = np.stack([synth.room_tone(n / RATE, noise_db, rng) for _ in range(N_CLICKS)])
    for row in heard:
        if rng.random() < struck:
            at = BEFORE_S + rng.normal(0.0, 0.006)
            row += synth.strokes([at], seconds=n / RATE, peak_dbfs=-12.0, rng=rng)
    if bleed_db is not None:
        start = BEFORE + round(delay_ms * RATE / 1000.0)
        heard[:, start : start + clicks.shape[1]] += synth.amplitude(bleed_db) * click()
    return clicks, heard


@pytest.mark.parametrize("bleed_db", [-30.0, -50.0, -62.0])
@pytest.mark.parametrize("delay_ms", [0.0, 3.0, 12.0])
def test_the_click_is_found_in_the_rests(bleed_db, delay_ms):
    """Level and delay of a click far under the drums that fall on most of it."""
    found = find_click("m", *excerpts(1, bleed_db=bleed_db, delay_ms=delay_ms), RATE, BEFORE)

    assert found.level_db == pytest.approx(bleed_db, abs=LEVEL_DB)
    assert found.delay_ms == pytest.approx(delay_ms, abs=0.35)  # ms; half the click's period: at worst the crest beside


@pytest.mark.parametrize("seed", range(12))
def test_drums_on_the_grid_are_no_click(seed):
    """Strokes on most clicks, give or take 6 ms, in three densities."""
    found = find_click("m", *excerpts(seed, struck=(0.3, 0.7, 1.0)[seed % 3]), RATE, BEFORE)

    assert found.level_db is None
    assert "not heard" in found.unmeasured["level_db"]


def test_silence_and_few_clicks_have_reasons():
    """Nothing to look at is said, not guessed."""
    clicks, heard = excerpts(2)

    assert "silent" in find_click("m", clicks, np.zeros_like(heard), RATE, BEFORE).unmeasured["level_db"]
    assert "too few clicks: 3" in find_click("m", clicks[:3], heard[:3], RATE, BEFORE).unmeasured["level_db"]


def test_the_clicks_of_a_file_are_found(tmp_path):
    """Every click once, to the millisecond, and the accented ones 4.4 dB (1.0 against 0.6) over the others."""
    import soundfile

    times = np.arange(0.5, 8.0, 0.5)
    x = np.zeros(9 * RATE)
    for k, t in enumerate(times):
        at = round(t * RATE)
        x[at : at + len(click())] += click() * (1.0 if k % 4 == 0 else 0.6)
    soundfile.write(tmp_path / "click.wav", x, RATE, subtype="PCM_24")

    found, level_db = click_onsets(tmp_path / "click.wav", 0)
    assert found == pytest.approx(times, abs=1e-3)
    assert np.ptp(level_db) == pytest.approx(4.44, abs=0.1)  # starts between samples shift a peak by less
