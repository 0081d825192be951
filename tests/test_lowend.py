"""The low end of two mics in mono."""

import numpy as np
import pytest

from kitproof.measure.lowend import MONO_BELOW_HZ, measure_low_end
from kitproof.model import Channel, LowEndPair

RATE_HZ = 2000.0
N = 20000
# The filter's start and a tone that does not fit the length a whole number of times.
TOLERANCE_DB = 0.05


def channel(role: str) -> Channel:
    return Channel(
        file=f"{role}.wav", path=f"{role}.wav", index_in_file=0, role=role, role_source="take.toml", label=role
    )


def low_end(
    left: np.ndarray, right: np.ndarray, roles: tuple[str, str] = ("overhead-left", "overhead-right")
) -> LowEndPair:
    kit = [channel(r) for r in roles]
    (pair,) = measure_low_end(
        kit, {kit[0].file: left.astype(np.float32), kit[1].file: right.astype(np.float32)}, RATE_HZ
    )
    return pair


def tone(hz: float, phase_deg: float = 0.0, amplitude: float = 0.1) -> np.ndarray:
    return amplitude * np.sin(2 * np.pi * hz * np.arange(N) / RATE_HZ + np.radians(phase_deg))


@pytest.mark.parametrize(
    ("phase_deg", "sum_re_one_db"),
    # Sum of two equal tones against one of them: 20 log10(2 cos(phase / 2)), as handbooks of acoustics tabulate it.
    [(0, 6.02), (45, 5.33), (60, 4.77), (90, 3.01), (120, 0.0), (150, -5.72)],
)
def test_sum_of_two_tones_follows_the_handbook(phase_deg: float, sum_re_one_db: float) -> None:
    """The mono figure is the handbook's sum less the 3.01 dB that two unrelated parts make together."""
    pair = low_end(tone(60), tone(60, phase_deg))

    assert pair.mono_db == pytest.approx(sum_re_one_db - 3.01, abs=TOLERANCE_DB)


def test_opposite_lows_lie_in_the_sides() -> None:
    """A pair with inverted lows has nothing in the middle and says so."""
    pair = low_end(tone(60), -tone(60))

    assert pair.correlation == pytest.approx(-1.0, abs=1e-3)  # float32 samples
    assert pair.side_db is not None
    assert pair.side_db > 40.0


def test_level_does_not_change_the_mono_figure() -> None:
    """Gains are matched first: a quieter mic of the same sound is as alike as a louder one."""
    assert low_end(tone(60), tone(60, amplitude=0.03)).mono_db == pytest.approx(3.01, abs=TOLERANCE_DB)


def test_what_lies_above_does_not_count() -> None:
    """Opposite treble over equal lows leaves the lows as they are."""
    treble = tone(4 * MONO_BELOW_HZ, amplitude=0.1)

    assert low_end(tone(60) + treble, tone(60) - treble).mono_db == pytest.approx(3.01, abs=TOLERANCE_DB)


def test_two_mics_of_one_drum_have_no_side() -> None:
    """Side over middle is only said of a left and a right mic, and the reason is given."""
    pair = low_end(tone(60), tone(60), ("kick-in", "kick-out"))

    assert pair.side_db is None
    assert "left" in pair.unmeasured["side_db"]


def test_unrelated_noise_neither_gains_nor_loses() -> None:
    """Two mics that share nothing add as powers."""
    rng = np.random.default_rng(1)

    # 10 s of lows hold about 2 * 150 * 10 = 3000 independent values: r spreads by 0.02, so 0.08 dB; four times that.
    assert low_end(rng.normal(size=N), rng.normal(size=N)).mono_db == pytest.approx(0.0, abs=0.32)


def test_silent_and_missing_mics_are_left_out() -> None:
    """A dead mic makes no pair; one mic alone gives nothing."""
    kit = [channel("overhead-left"), channel("overhead-right")]

    assert measure_low_end(kit, {kit[0].file: tone(60).astype(np.float32)}, RATE_HZ) == ()
    silent = np.zeros(N, np.float32)
    assert measure_low_end(kit, {kit[0].file: tone(60).astype(np.float32), kit[1].file: silent}, RATE_HZ) == ()
