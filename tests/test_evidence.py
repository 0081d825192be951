"""Pictures of the findings: which are worth one, and that they show the right instant at any rate."""

from concurrent.futures import ThreadPoolExecutor
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile

from kitproof.evidence import AFTER_S, BEFORE_S, MOST_MOMENTS, POINTS, picture_moments, worth_a_picture
from kitproof.model import Finding


def finding(code="clipping", severity="fix", times=(0.5,), files=("a.wav",)):
    return Finding(
        code=code, severity=severity, files=files, message="m", action="a", times_s=times, n_times=len(times)
    )


def test_findings_without_a_place_and_notes_get_no_picture():
    """There is nothing to point at, or nothing to prove."""
    kept = finding()
    assert worth_a_picture([finding(times=()), finding(severity="note"), kept]) == [(kept, 0.5)]


def test_no_more_pictures_than_anyone_looks_at():
    """Two hundred findings do not make a hundred pages."""
    assert len(worth_a_picture([finding(times=(i / 10,)) for i in range(200)])) == MOST_MOMENTS


@pytest.mark.parametrize("rates", [(44100, 44100), (48000, 96000)])
def test_every_mic_shows_the_same_instant(tmp_path, rates):
    """An impulse at 0.5 s stands at the same point in files of different rates, to within one point."""
    kit = []
    for n, rate in enumerate(rates):
        x = np.zeros(rate)
        x[rate // 2] = 0.5
        soundfile.write(tmp_path / f"{n}.wav", x, rate, subtype="FLOAT")
        kit.append(SimpleNamespace(file=f"{n}.wav", path=f"{n}.wav", index_in_file=0))
    with ThreadPoolExecutor(1) as executor:
        (picture,) = picture_moments(tmp_path, kit, [finding(files=("0.wav",))], executor)

    at = POINTS * BEFORE_S / (BEFORE_S + AFTER_S)
    assert picture.wave.shape == (2, POINTS)
    assert [abs(int(np.argmax(row)) - at) <= 1 for row in picture.wave] == [True, True]
    assert picture.files == ("0.wav", "1.wav")


def test_a_place_at_the_very_start_is_padded_with_silence(tmp_path):
    """The picture begins before the file does."""
    soundfile.write(tmp_path / "a.wav", np.full(4800, 0.25), 48000, subtype="FLOAT")
    kit = [SimpleNamespace(file="a.wav", path="a.wav", index_in_file=0)]
    with ThreadPoolExecutor(1) as executor:
        (picture,) = picture_moments(tmp_path, kit, [finding(times=(0.0,))], executor)
    assert picture.wave[0, 0] == 0.0
    assert picture.wave[0, -1] == pytest.approx(0.25)
