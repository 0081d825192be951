"""The spectrum of a mic at its own strokes, and at those of others: built signals come back, rings are no bleed."""

import numpy as np
import pytest

import synth
from kitproof import reasons
from kitproof.measure.bands import band_centres_hz, band_edges_hz
from kitproof.measure.excerpts import DrumTimes
from kitproof.measure.picture import PictureMeter, with_strokes
from kitproof.measure.spectra import LEAD_S, hear_spectra
from kitproof.measure.views import ChannelBrief, ChannelView
from kitproof.model import Channel
from test_ring import Samples

RATE_HZ = 48000
NEVER_ALONE = reasons.NEVER_ALONE.format(least=6)
NOT_STRUCK = reasons.FEW_OWN.format(least=3)
NO_DRUM = reasons.NO_SINGLE_DRUM
OWN_S = np.arange(1.0, 41.0)
FOREIGN_S = OWN_S + 0.6
SECONDS = 42.0
HIGH = slice(28, None)  # bands from 190 Hz on: at least one line of the excerpt's spectrum wide
# Noise: 40 strokes of one to hundreds of lines in a band, so 0.7 dB at 190 Hz and less above; four times that, and for
# all bands together a tenth of a decibel, which is what the window and the bands can be wrong by. A third of the
# strokes of others are taken, so theirs is off by the root of three more.
BAND_DB, MEAN_DB = 2.8, 0.15
BLEED_BAND_DB, BLEED_MEAN_DB = 4.9, 0.3


def brief_of(drums, *, own_drum="snare"):
    """What a mic's job is told: drums with the times of their strokes."""
    channel = Channel(
        file="s.wav", path="s.wav", index_in_file=0, role="snare-top" if own_drum else "room-left",
        role_source="take.toml", label="snare top",
    )  # fmt: skip
    strokes = {
        name: DrumTimes(
            drum=name, own_file="s.wav", time_s=np.asarray(t, float), strength=np.ones(len(t)),
            clear=np.ones(len(t), bool),
        )
        for name, t in drums.items()
    }  # fmt: skip
    return ChannelBrief(channel=channel, own_drum=own_drum, is_own_mic=True, drums=strokes, quiet_runs=())


def heard(x, drums, *, own_drum="snare", rate_hz=RATE_HZ):
    """The one record of a mic."""
    view = ChannelView(brief=brief_of(drums, own_drum=own_drum), reader=Samples(x, rate_hz))
    (record,) = hear_spectra(view)
    return record


def bursts(times_s, rms_dbfs, seconds, rng, rate_hz=RATE_HZ):
    """White noise that begins with each excerpt and outlasts it, silence between."""
    x = np.zeros(synth.n_samples(seconds, rate_hz))
    for t in times_s:
        part = slice(round((t - LEAD_S) * rate_hz), round((t + 0.11) * rate_hz))
        x[part] = rng.normal(0.0, synth.amplitude(rms_dbfs), part.stop - part.start)
    return x


def white_dbfs(rms_dbfs, rate_hz=RATE_HZ):
    """(n_bands,) what white noise of a level has in every band."""
    edges = band_edges_hz()[: len(band_centres_hz(rate_hz)) + 1]
    return rms_dbfs + 10.0 * np.log10(np.diff(np.minimum(edges, rate_hz / 2)) / (rate_hz / 2))


def dbfs(power):
    """Levels of powers."""
    return 10.0 * np.log10(power)


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
def test_own_and_bleed_come_back_as_they_were_built(rate_hz):
    """Noise of -30 dBFS at the own strokes and of -52 dBFS at others': each band of both is what noise has there."""
    rng = np.random.default_rng(4)
    x = bursts(OWN_S, -30.0, SECONDS, rng, rate_hz) + bursts(FOREIGN_S, -52.0, SECONDS, rng, rate_hz)

    found = heard(x, {"snare": OWN_S, "kick": FOREIGN_S[::2], "hi-hat": FOREIGN_S[1::2]}, rate_hz=rate_hz)

    assert (found.n_own, found.n_foreign, found.unmeasured) == (40, 13, {})
    for power, level, band_db, mean_db in (
        (found.own, -30.0, BAND_DB, MEAN_DB),
        (found.bleed, -52.0, BLEED_BAND_DB, BLEED_MEAN_DB),
    ):
        off = dbfs(power) - white_dbfs(level, rate_hz)
        assert np.abs(off[HIGH]).max() < band_db
        assert abs(np.mean(off[HIGH])) < mean_db


def test_a_tone_at_the_own_strokes_stands_in_its_band_only_there():
    """400 Hz at the own strokes, 4 kHz at the others: each curve has its tone at its level, and not the other."""
    t = np.arange(synth.n_samples(SECONDS)) / RATE_HZ
    at_own = (bursts(OWN_S, 0.0, SECONDS, np.random.default_rng(1)) != 0.0) * np.sin(2.0 * np.pi * 400.0 * t)
    at_other = (bursts(FOREIGN_S, 0.0, SECONDS, np.random.default_rng(1)) != 0.0) * np.sin(2.0 * np.pi * 4000.0 * t)

    found = heard(0.1 * at_own + 0.01 * at_other, {"snare": OWN_S, "kick": FOREIGN_S})

    hz = band_centres_hz(RATE_HZ)
    for power, tone_hz, level in ((found.own, 400.0, -23.01), (found.bleed, 4000.0, -43.01)):
        near = np.abs(np.log2(hz / tone_hz)) < 0.5
        assert dbfs(power[near].sum()) == pytest.approx(level, abs=0.05)  # an octave holds all but a hundredth
        far = np.abs(np.log2(hz / tone_hz)) > 1.5
        assert dbfs(power[far].max()) < level - 45.0  # the window's skirt, an octave and a half away


def test_the_curves_can_be_held_against_the_noise():
    """Under steady noise: the own curve where nothing is struck is that noise, the bleed what bursts add to it."""
    noise = synth.noise(SECONDS, -60.0, np.random.default_rng(9))
    x = noise + bursts(FOREIGN_S, -50.0, SECONDS, np.random.default_rng(10))
    meter = PictureMeter(RATE_HZ, len(x), "s.wav")
    meter.push(noise)
    meter.finish()

    (picture,) = with_strokes([meter.picture([(0.0, SECONDS)])], [heard(x, {"snare": OWN_S, "kick": FOREIGN_S})])

    assert (picture.n_own_strokes, picture.n_foreign_strokes, picture.unmeasured) == (40, 13, {})
    own, bleed, floor = picture.own_spectrum_dbfs, picture.bleed_spectrum_dbfs, picture.noise_spectrum_dbfs
    assert abs(np.mean(own[HIGH] - floor[HIGH])) < MEAN_DB
    assert np.abs(own[HIGH] - floor[HIGH]).max() < BAND_DB
    assert abs(np.mean(bleed[HIGH] - white_dbfs(-50.0)[HIGH])) < BLEED_MEAN_DB


@pytest.mark.parametrize("n_strokes", [6, 12, 40])
def test_noise_alone_is_no_bleed(n_strokes):
    """Strokes of others that this mic does not hear have no curve, however few they are, but the reason."""
    for seed in range(5):
        x = synth.noise(SECONDS, -60.0, np.random.default_rng(seed))
        found = heard(x, {"snare": OWN_S, "kick": FOREIGN_S[:n_strokes]})
        assert (found.bleed, found.unmeasured) == (None, {"bleed_spectrum_dbfs": reasons.NO_OTHER_DRUM})


def test_bands_that_others_do_not_raise_are_left_out():
    """A hum that is there all the time hides the bleed in its octave: no level there, the others as they were built."""
    t = np.arange(synth.n_samples(SECONDS)) / RATE_HZ
    hum = 0.02 * np.sin(2.0 * np.pi * 1000.0 * t)
    x = hum + bursts(FOREIGN_S, -60.0, SECONDS, np.random.default_rng(7))

    found = heard(x, {"snare": OWN_S, "kick": FOREIGN_S})

    hz = band_centres_hz(RATE_HZ)
    octaves = np.abs(np.log2(hz / 1000.0))
    assert not found.bleed[octaves < 0.15].any()
    assert abs(np.mean(dbfs(found.bleed[octaves > 1.5]) - white_dbfs(-60.0)[octaves > 1.5])) < 2 * BLEED_MEAN_DB


def test_a_ring_of_the_own_drum_is_no_bleed():
    """A drum that rings for seconds: strokes of others long after it are taken, and its pitch is not in the bleed."""
    own_s = np.arange(1.0, 120.0, 5.0)
    soon_s, late_s = own_s + 0.4, own_s + 3.0
    x = synth.room_tone(125.0, -90.0, np.random.default_rng(2))
    wave = 0.3 * np.sin(2.0 * np.pi * 150.0 * np.arange(3 * RATE_HZ) / RATE_HZ)
    wave *= 10.0 ** (-3.0 * np.arange(len(wave)) / RATE_HZ / 1.5)  # 60 dB in 1.5 s
    for t in own_s:
        x[round(t * RATE_HZ) : round(t * RATE_HZ) + len(wave)] += wave
    x += bursts(np.concatenate((soon_s, late_s)), -50.0, 125.0, np.random.default_rng(3))

    found = heard(x, {"snare": own_s, "kick": np.sort(np.concatenate((soon_s, late_s)))})

    hz = band_centres_hz(RATE_HZ)
    near = np.abs(np.log2(hz / 150.0)) < 0.5
    assert found.n_foreign == 16  # a third: those 3 s after it, for 0.4 s after it the drum still has -33 dBFS
    # what is left near 150 Hz is the noise, a handful of lines of 16 strokes
    assert dbfs(found.bleed[near].sum()) == pytest.approx(dbfs((10.0 ** (white_dbfs(-50.0)[near] / 10.0)).sum()), abs=2)


def test_others_that_are_struck_with_the_own_drum_are_not_bleed():
    """Strokes of others with an own one in the excerpt, or just before it, tell nothing of the bleed alone."""
    rng = np.random.default_rng(5)
    together = np.concatenate((OWN_S + 0.001, OWN_S - 0.05, OWN_S + 0.08))
    x = bursts(OWN_S, -20.0, SECONDS, rng) + bursts(FOREIGN_S, -60.0, SECONDS, rng)

    alone = heard(x, {"snare": OWN_S, "kick": np.sort(np.concatenate((together, FOREIGN_S)))})
    never = heard(x, {"snare": OWN_S, "kick": np.sort(together)})

    assert abs(np.mean(dbfs(alone.bleed[HIGH]) - white_dbfs(-60.0)[HIGH])) < BLEED_MEAN_DB
    assert (never.bleed, never.n_foreign) == (None, 0)
    assert never.unmeasured == {"bleed_spectrum_dbfs": NEVER_ALONE}
    assert never.own is not None


@pytest.mark.parametrize(
    ("drums", "own_drum", "missing", "why"),
    [
        ({"snare": OWN_S}, "snare", {"bleed_spectrum_dbfs"}, NEVER_ALONE),
        ({"snare": OWN_S, "kick": FOREIGN_S[:5]}, "snare", {"bleed_spectrum_dbfs"}, NEVER_ALONE),
        ({"snare": OWN_S[:2], "kick": FOREIGN_S}, "snare", {"own_spectrum_dbfs", "bleed_spectrum_dbfs"}, NOT_STRUCK),
        ({"kick": FOREIGN_S}, "snare", {"own_spectrum_dbfs", "bleed_spectrum_dbfs"}, NOT_STRUCK),
        ({"kick": FOREIGN_S}, None, {"own_spectrum_dbfs", "bleed_spectrum_dbfs"}, NO_DRUM),
    ],
)
def test_a_curve_that_cannot_be_had_says_why(drums, own_drum, missing, why):
    """No stroke of others, too few of them, too few of its own, or no drum of its own."""
    found = heard(synth.noise(SECONDS, -40.0, np.random.default_rng(6)), drums, own_drum=own_drum)

    assert found.unmeasured == dict.fromkeys(missing, why)
    assert {name for name in ("own", "bleed") if getattr(found, name) is None} == {m.split("_")[0] for m in missing}


def test_silence_has_no_level():
    """Zeros at every stroke are minus infinity in the picture, as in its other spectra; others do not stand out."""
    x = np.zeros(synth.n_samples(SECONDS))
    meter = PictureMeter(RATE_HZ, len(x), "s.wav")
    meter.push(x)
    meter.finish()

    (picture,) = with_strokes([meter.picture([])], [heard(x, {"snare": OWN_S, "kick": FOREIGN_S})])

    assert np.all(np.isneginf(picture.own_spectrum_dbfs))
    assert picture.unmeasured == {"bleed_spectrum_dbfs": reasons.NO_OTHER_DRUM}


def test_a_long_take_costs_no_more_than_a_short_one():
    """However many strokes there are, 120 excerpts at most are read."""

    class Counted(Samples):
        n_read = 0

        def read(self, start, n):
            Counted.n_read += 1
            return super().read(start, n)

    own_s = np.arange(1.0, 400.0)
    brief = brief_of({"snare": own_s, "kick": own_s + 0.5})
    (record,) = hear_spectra(ChannelView(brief=brief, reader=Counted(np.zeros(RATE_HZ), RATE_HZ)))

    assert (record.n_own, record.n_foreign) == (48, 24)
    assert Counted.n_read == 120
