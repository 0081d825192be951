"""When a take has come to rest: on a clock of the test's own, with real files."""

from __future__ import annotations

import io
import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf

from kitproof.watch.folders import look
from kitproof.watch.settle import PATIENCE, Settling, unfinished

SETTLE_S = 10.0


def wav(seconds: float = 0.5, **options: str) -> bytes:
    """A file of noise."""
    content = io.BytesIO()
    noise = np.random.default_rng(0).normal(0.0, 0.01, round(44100 * seconds))
    sf.write(content, noise, 44100, **({"format": "WAV", "subtype": "PCM_24"} | options))
    return content.getvalue()


@pytest.fixture
def take(tmp_path: Path) -> Path:
    """A take of one whole file."""
    (tmp_path / "take").mkdir()
    (tmp_path / "take" / "kick.wav").write_bytes(wav())
    return tmp_path / "take"


def is_ready(settling: Settling, take: Path, now_s: float) -> bool:
    """After a look at that time."""
    (bundle,) = look(take.parent).bundles
    settling.update([bundle], now_s)
    return settling.is_ready(bundle, now_s)


def test_a_whole_take_is_ready_after_the_settle_time(take: Path) -> None:
    """Not a moment earlier, and counted from the first look, whatever its files say about their age."""
    settling = Settling(SETTLE_S)

    assert [is_ready(settling, take, t) for t in (0.0, 5.0, 9.9, 10.0)] == [False, False, False, True]


def test_any_change_begins_the_wait_anew(take: Path) -> None:
    """A file that grows, one that joins, one that gets its name."""
    settling = Settling(SETTLE_S)
    is_ready(settling, take, 0.0)
    (take / "kick.wav").write_bytes(wav(0.6))
    assert not is_ready(settling, take, 10.0)
    (take / "snare.wav").write_bytes(wav())
    assert not is_ready(settling, take, 20.0)
    (take / "snare.wav").rename(take / "snare top.wav")
    assert not is_ready(settling, take, 30.0)
    assert is_ready(settling, take, 40.0)


def _cut(content: bytes) -> bytes:
    return content[: len(content) // 2]


def _open_size(content: bytes) -> bytes:
    at = content.index(b"data") + 4
    return content[:at] + struct.pack("<I", 0) + content[at + 4 :]


def _chunk_missing(content: bytes) -> bytes:
    return content[:4] + struct.pack("<I", len(content) - 8 + 100) + content[8:]


UNFINISHED = {
    "data cut short": _cut(wav()),
    "flac cut short": _cut(wav(format="FLAC", subtype="PCM_24")),
    "aiff cut short": _cut(wav(format="AIFF")),
    "length still open": _open_size(wav()),
    "a chunk behind the audio missing": _chunk_missing(wav()),
    "header alone": wav()[:30],
    "nothing yet": b"",
    "room reserved": bytes(5000),
}


@pytest.mark.parametrize("kind", UNFINISHED)
def test_a_file_that_is_not_whole_is_waited_for_but_not_for_ever(take: Path, kind: str) -> None:
    """At rest like a finished one, it is taken for unfinished; at rest for long, for broken, and then reported."""
    settling = Settling(SETTLE_S)
    (take / "snare.wav").write_bytes(UNFINISHED[kind])
    times = (0.0, SETTLE_S, PATIENCE * SETTLE_S - 0.1, PATIENCE * SETTLE_S)

    assert [is_ready(settling, take, t) for t in times] == [False, False, False, True]


@pytest.mark.parametrize(
    "options", [{}, {"format": "FLAC"}, {"format": "AIFF"}, {"subtype": "FLOAT"}, {"format": "RF64"}]
)
def test_a_whole_file_is_not_taken_for_unfinished(tmp_path: Path, options: dict[str, str]) -> None:
    """In every format that is measured."""
    path = tmp_path / "kick.wav"
    path.write_bytes(wav(**options))

    assert unfinished(path) is None


def test_a_temporary_file_beside_is_waited_for(take: Path) -> None:
    """And forgotten if nothing comes of it."""
    settling = Settling(SETTLE_S)
    (take / "snare.wav.part").write_bytes(b"x")
    times = (0.0, SETTLE_S, PATIENCE * SETTLE_S)

    assert [is_ready(settling, take, t) for t in times] == [False, False, True]


def test_a_take_seen_by_an_earlier_run_need_not_wait_again(take: Path) -> None:
    """As long as it still looks the same; from a clock that went backwards nothing is believed."""
    earlier = Settling(SETTLE_S)
    is_ready(earlier, take, 0.0)

    assert is_ready(Settling(SETTLE_S, earlier.sightings), take, 10.0)
    assert not is_ready(Settling(SETTLE_S, earlier.sightings), take, -100.0)


def test_the_next_look_is_due_when_something_can_have_changed(take: Path) -> None:
    """The rest of the settle time; for an unfinished take the rest of the patience."""
    settling = Settling(SETTLE_S)
    (take / "snare.wav").write_bytes(b"")
    is_ready(settling, take, 0.0)
    (bundle,) = look(take.parent).bundles

    assert settling.due_s(bundle, 4.0) == pytest.approx(6.0, abs=1e-9)  # differences of small floats
    assert settling.due_s(bundle, 11.0) == pytest.approx(PATIENCE * SETTLE_S - 11.0, abs=1e-9)
