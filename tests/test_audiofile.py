"""Reading audio files: what their headers say, what is really there, and what damage does."""

import hashlib
import os
import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf

from kitproof.errors import StemError
from kitproof.ingest.audiofile import SpanReader, file_sha256, read_blocks, read_facts, read_span, with_damage

RATE_HZ = 48_000
N_FRAMES = 5_000
MOST = "its header promises"


def noise(n_frames=N_FRAMES, n_channels=1, seed=1):
    return np.random.default_rng(seed).uniform(-0.9, 0.9, (n_frames, n_channels))


def write(path, samples=None, rate_hz=RATE_HZ, **how):
    sf.write(path, noise() if samples is None else samples, rate_hz, **how)
    return path


def facts_of(path):
    return read_facts(path, path.parent)


def everything(path):
    """All samples, in small odd blocks so that block borders are met."""
    return np.concatenate([np.zeros((0, facts_of(path).n_channels)), *read_blocks(path, block_frames=1_237)])


def chunk(ident, body):
    return ident + struct.pack("<I", len(body)) + body + b"\0" * (len(body) % 2)


def bext(description=b"", time_reference=0):
    """Chunk of EBU Tech 3285 version 1: text fields, two words of TimeReference, version, UMID, reserved."""
    low, high = time_reference & 0xFFFFFFFF, time_reference >> 32
    fixed = struct.pack("<256s32s32s10s8sII", description, b"", b"", b"2024-05-01", b"10:00:00", low, high)
    return chunk(b"bext", fixed + struct.pack("<H64s190s", 1, b"", b""))


FMT_24_MONO = chunk(b"fmt ", struct.pack("<HHIIHH", 1, 1, RATE_HZ, 3 * RATE_HZ, 3, 24))
RAMP_24 = b"".join(struct.pack("<i", v << 8)[1:] for v in range(-1500, 1500))  # 3000 frames
RAMP = np.arange(-1500, 1500) / 2**23


def wav_bytes(*before, data=RAMP_24, data_size=None, after=b"", riff_size=None, magic=b"RIFF"):
    """A WAV file made by hand; sizes that lie where asked to."""
    size = len(data) if data_size is None else data_size
    body = b"WAVE" + b"".join(before) + b"data" + struct.pack("<I", size) + data + after
    return magic + struct.pack("<I", len(body) if riff_size is None else riff_size) + body


def ds64(data_bytes):
    return chunk(b"ds64", struct.pack("<QQQI", data_bytes + 100, data_bytes, data_bytes // 3, 0))


def put(path, content):
    path.write_bytes(content)
    return path


# ---------------------------------------------------------------- every format
FORMATS = [
    ("a.wav", "WAV", "WAV", "PCM_U8", 8, "PCM_U8"),
    ("a.wav", "WAV", "WAV", "PCM_16", 16, "PCM_16"),
    ("a.wav", "WAV", "WAV", "PCM_24", 24, "PCM_24"),
    ("a.wav", "WAV", "WAV", "PCM_32", 32, "PCM_32"),
    ("a.wav", "WAV", "WAV", "FLOAT", 32, "FLOAT"),
    ("a.wav", "WAV", "WAV", "DOUBLE", 64, "DOUBLE"),
    ("a.wav", "WAV", "WAV", "ULAW", None, "ULAW"),
    ("a.wav", "WAV", "WAVEX", "PCM_24", 24, "PCM_24"),
    ("a.wav", "WAV", "WAVEX", "FLOAT", 32, "FLOAT"),
    ("a.wav", "RF64", "RF64", "PCM_24", 24, "PCM_24"),
    ("a.aif", "AIFF", "AIFF", "PCM_S8", 8, "PCM_S8"),
    ("a.aif", "AIFF", "AIFF", "PCM_16", 16, "PCM_16"),
    ("a.aif", "AIFF", "AIFF", "PCM_24", 24, "PCM_24"),
    ("a.aif", "AIFF", "AIFF", "FLOAT", 32, "FLOAT"),
    ("a.aif", "AIFF", "AIFF", "DOUBLE", 64, "DOUBLE"),
    ("a.aif", "AIFF", "AIFF", "ULAW", None, "ULAW"),
    ("a.flac", "FLAC", "FLAC", "PCM_16", 16, "PCM_16"),
    ("a.flac", "FLAC", "FLAC", "PCM_24", 24, "PCM_24"),
]


@pytest.mark.parametrize("n_channels", [1, 2])
@pytest.mark.parametrize(("name", "container", "fmt", "subtype", "bits", "encoding"), FORMATS)
def test_every_format_gives_its_facts_and_exactly_its_samples(
    tmp_path, name, container, fmt, subtype, bits, encoding, n_channels
):
    """Facts are those of the file; samples are bit for bit those of an independent decoder (libsndfile)."""
    path = write(tmp_path / name, noise(n_channels=n_channels), format=fmt, subtype=subtype)

    facts = facts_of(path)

    assert (facts.container, facts.encoding, facts.bit_depth) == (container, encoding, bits)
    assert (facts.rate_hz, facts.n_channels, facts.n_frames) == (RATE_HZ, n_channels, N_FRAMES)
    assert facts.declared_frames in (N_FRAMES, None if encoding == "ULAW" else N_FRAMES)
    assert (facts.problem, facts.problem_text, facts.sha256) == (None, None, None)
    assert facts.size_bytes == path.stat().st_size
    np.testing.assert_array_equal(everything(path), sf.read(path, dtype="float64", always_2d=True)[0])


def test_little_endian_aiff_is_read(tmp_path):
    """AIFF-C "sowt", as some recorders write it: the bytes of each sample the other way round."""
    path = write(tmp_path / "a.aif", format="AIFF", subtype="PCM_16", endian="LITTLE")

    assert facts_of(path).encoding == "PCM_16"
    np.testing.assert_array_equal(everything(path), sf.read(path, always_2d=True)[0])


def test_bits_within_a_larger_sample_are_told(tmp_path):
    """20 valid bits in 24: the depth is 20 (extensible format, wValidBitsPerSample)."""
    guid = struct.pack("<H", 1) + bytes.fromhex("0000 0000 1000 8000 00aa 0038 9b71")
    fmt = struct.pack("<HHIIHHHHI", 0xFFFE, 1, RATE_HZ, 3 * RATE_HZ, 3, 24, 22, 20, 4) + guid
    path = put(tmp_path / "a.wav", wav_bytes(chunk(b"fmt ", fmt)))

    assert (facts_of(path).bit_depth, facts_of(path).encoding) == (20, "PCM_24")


def test_a_bw64_file_is_read(tmp_path):
    """BW64 (ITU-R BS.2088) is RF64 under another name."""
    body = wav_bytes(ds64(len(RAMP_24)), FMT_24_MONO, data_size=0xFFFFFFFF, riff_size=0xFFFFFFFF, magic=b"BW64")
    path = put(tmp_path / "a.wav", body)

    facts = facts_of(path)

    assert (facts.container, facts.n_frames, facts.declared_frames, facts.problem) == ("BW64", 3000, 3000, None)
    np.testing.assert_array_equal(everything(path)[:, 0], RAMP)


def test_a_file_beyond_four_gigabytes_is_read_at_its_end(tmp_path):
    """RF64: lengths and offsets beyond 32 bits are taken from ds64 (EBU Tech 3306); the file here is sparse."""
    data_bytes = 3 * 1_500_000_000
    head = wav_bytes(ds64(data_bytes), FMT_24_MONO, data=b"", data_size=0xFFFFFFFF, magic=b"RF64")
    path = put(tmp_path / "long.wav", head)
    with path.open("r+b") as file:
        file.truncate(len(head) + data_bytes)
        file.seek(-3, os.SEEK_END)
        file.write(b"\x00\x00\x40")

    facts = facts_of(path)

    assert (facts.n_frames, facts.declared_frames, facts.problem) == (1_500_000_000, 1_500_000_000, None)
    assert read_span(path, 1_499_999_998, 3)[:, 0].tolist() == [0.0, 0.5, 0.0]


def test_an_id3_tag_in_front_is_passed_over(tmp_path):
    """Some editors put a tag before the file proper."""
    tag = b"ID3\x03\0\0\0\0\0\x0a" + bytes(10)
    path = put(tmp_path / "a.wav", tag + wav_bytes(FMT_24_MONO))

    np.testing.assert_array_equal(everything(path)[:, 0], RAMP)


def test_an_odd_chunk_without_its_filler_byte_does_not_derail_the_walk(tmp_path):
    """RIFF asks for a filler byte after an odd chunk; some writers leave it out."""
    path = put(tmp_path / "a.wav", wav_bytes(b"LIST" + struct.pack("<I", 5) + b"abcde", FMT_24_MONO))

    np.testing.assert_array_equal(everything(path)[:, 0], RAMP)


# ---------------------------------------------------------------- broadcast header
@pytest.mark.parametrize(
    ("frames", "what"),
    [
        (172_800_000, "01:00:00 at 48 kHz: 3600 s x 48 000"),
        (158_760_000, "01:00:00 at 44.1 kHz"),
        (2**32 + 5, "the first second word: 12:25:39 at 96 kHz"),
        (86_399 * 192_000, "a second before midnight at 192 kHz"),
        (0, "midnight"),
    ],
)
def test_the_time_reference_counts_frames_since_midnight(tmp_path, frames, what):
    """EBU Tech 3285: TimeReferenceLow and High together are one 64-bit count."""
    path = put(tmp_path / "a.wav", wav_bytes(bext(b"Tidewall take 3", frames), FMT_24_MONO))

    assert facts_of(path).time_reference_frames == frames, what
    assert facts_of(path).description == "Tidewall take 3"


@pytest.mark.parametrize(
    ("raw", "expected"),
    [(b"", None), ("Süd".encode(), "Süd"), ("Süd".encode("latin-1"), "Süd"), (b"a\x07\nb\0rubbish", "a b")],
)
def test_the_description_is_read_as_people_write_it(tmp_path, raw, expected):
    """The standard says ASCII; UTF-8 and Latin-1 occur, and what follows the first NUL is rubbish."""
    path = put(tmp_path / "a.wav", wav_bytes(bext(raw), FMT_24_MONO))

    assert facts_of(path).description == expected


def test_a_broadcast_header_behind_the_audio_is_found(tmp_path):
    """Chunks may stand in any order."""
    path = put(tmp_path / "a.wav", wav_bytes(FMT_24_MONO, after=bext(b"behind", 7)))

    assert (facts_of(path).time_reference_frames, facts_of(path).description) == (7, "behind")
    assert facts_of(path).n_frames == 3000


def test_without_a_broadcast_header_there_is_no_time(tmp_path):
    """None, not midnight."""
    path = put(tmp_path / "a.wav", wav_bytes(FMT_24_MONO))

    assert (facts_of(path).time_reference_frames, facts_of(path).description) == (None, None)


# ---------------------------------------------------------------- lengths that lie
@pytest.mark.parametrize("size", [0, 0xFFFFFFFF, 0x7FFFFFFF, 0x7FFFF000 - 0x7FFFF000 % 3])
def test_a_streamed_wav_goes_to_its_end(tmp_path, size):
    """A writer that cannot go back leaves 0 or the largest number; that is no fault."""
    path = put(tmp_path / "a.wav", wav_bytes(FMT_24_MONO, data_size=size, riff_size=size))

    facts = facts_of(path)

    assert (facts.n_frames, facts.declared_frames, facts.problem) == (3000, None, None)
    np.testing.assert_array_equal(everything(path)[:, 0], RAMP)


@pytest.mark.parametrize("after", [b"", chunk(b"LIST", b"INFO"), bext(b"x"), chunk(b"LIST", b"odd")])
def test_a_wav_with_an_empty_data_chunk_is_empty(tmp_path, after):
    """Length 0 with nothing, or only proper chunks, behind it is an empty recording, not a stream."""
    facts = facts_of(put(tmp_path / "a.wav", wav_bytes(FMT_24_MONO, data=b"", after=after)))

    assert (facts.problem, facts.n_frames) == ("empty", 0)
    assert "holds no audio" in facts.problem_text


@pytest.mark.parametrize(("fmt", "name"), [("WAV", "a.wav"), ("RF64", "a.wav"), ("AIFF", "a.aif"), ("WAVEX", "a.wav")])
@pytest.mark.parametrize("share", [0.9, 0.5, 0.1])
def test_a_truncated_file_is_read_as_far_as_it_goes(tmp_path, fmt, name, share):
    """What the header promises, what is there, and the samples that are there."""
    path = write(tmp_path / name, format=fmt, subtype="PCM_24")
    whole, samples = path.read_bytes(), everything(path)
    path.write_bytes(whole[: int(len(whole) * share)])

    facts = facts_of(path)

    header_bytes = len(whole) - 3 * N_FRAMES
    assert facts.problem == "truncated"
    assert facts.declared_frames == N_FRAMES
    assert facts.n_frames == pytest.approx((share * len(whole) - header_bytes) / 3, abs=24)  # chunks behind the audio
    assert f"{name}: the file ends after" in facts.problem_text
    assert "promises 0.10 s" in facts.problem_text
    np.testing.assert_array_equal(everything(path), samples[: facts.n_frames])


def test_a_cut_behind_the_audio_is_no_truncation(tmp_path):
    """Only a tag behind the audio is missing: nothing was lost that anyone listens to."""
    content = wav_bytes(FMT_24_MONO, after=chunk(b"LIST", bytes(50)))
    facts = facts_of(put(tmp_path / "a.wav", content[:-20]))

    assert (facts.problem, facts.n_frames) == (None, 3000)


def test_a_sample_cut_in_two_does_not_count(tmp_path):
    """The file ends within a sample."""
    facts = facts_of(put(tmp_path / "a.wav", wav_bytes(FMT_24_MONO)[:-1]))

    assert (facts.problem, facts.n_frames, facts.declared_frames) == ("truncated", 2999, 3000)


def test_an_aiff_whose_header_promises_more_is_truncated(tmp_path):
    """COMM says how many frames there are; SSND holds fewer."""
    path = write(tmp_path / "a.aif", format="AIFF", subtype="PCM_16")
    content = bytearray(path.read_bytes())
    at = content.index(b"COMM") + 8 + 2
    content[at : at + 4] = struct.pack(">I", 2 * N_FRAMES)

    facts = facts_of(put(path, content))

    assert (facts.problem, facts.n_frames, facts.declared_frames) == ("truncated", N_FRAMES, 2 * N_FRAMES)


@pytest.mark.parametrize("share", [0.95, 0.5, 0.2])
def test_a_truncated_flac_gives_all_frames_that_decode(tmp_path, share):
    """What decodes is the start of the true signal, up to the last whole block (4096 frames) before the cut."""
    samples = noise(40_000)
    path = write(tmp_path / "a.flac", samples, subtype="PCM_16")
    samples = everything(path)
    content = path.read_bytes()
    path.write_bytes(content[: int(len(content) * share)])

    facts = facts_of(path)

    assert (facts.problem, facts.declared_frames) == ("truncated", 40_000)
    # noise costs the same number of bytes in every block, so the cut falls at that share of the frames
    assert share * 40_000 - 2 * 4096 < facts.n_frames <= share * 40_000 + 100
    damage = []
    np.testing.assert_array_equal(
        np.concatenate(list(read_blocks(path, on_damage=damage.append))), samples[: facts.n_frames]
    )
    assert damage == []


def test_a_flac_that_does_not_say_its_length_is_no_fault(tmp_path):
    """STREAMINFO may leave the number of samples at 0 (RFC 9639, 8.2)."""
    path = write(tmp_path / "a.flac", noise(20_000), subtype="PCM_16")
    samples = everything(path)
    content = bytearray(path.read_bytes())
    content[21] &= 0xF0
    content[22:26] = bytes(4)

    facts = facts_of(put(path, content))

    assert (facts.problem, facts.declared_frames) == (None, None)
    assert facts.n_frames in (19_999, 20_000)  # the last one shows only when the end is known
    np.testing.assert_array_equal(everything(path), samples[: facts.n_frames])


# ---------------------------------------------------------------- damage within
def test_a_damaged_stretch_of_a_flac_is_silent_and_reported(tmp_path):
    """What lies behind the damage keeps its time; what was lost is told in seconds."""
    path = write(tmp_path / "a.flac", noise(60_000), subtype="PCM_16")
    samples = everything(path)
    content = bytearray(path.read_bytes())
    content[60_000:60_040] = b"\xff" * 40  # half-way, near frame 30 000

    put(path, content)
    damage = []
    found = np.concatenate(list(read_blocks(path, block_frames=25_000, on_damage=damage.append)))

    wrong = np.flatnonzero((found != samples).any(axis=1))
    assert facts_of(path).problem is None  # the header cannot know
    assert len(found) == 60_000
    assert 0 < len(wrong) <= 2 * 4096  # the block that was hit, and the one the decoder needs to find its way back
    assert not found[wrong].any()
    assert len(damage) == 1
    assert "a.flac" in damage[0]
    assert "s cannot be decoded, the first at 0.5" in damage[0]


def test_spans_on_both_sides_of_a_damaged_stretch_are_right(tmp_path):
    """One failed read does not spoil the reader for the next."""
    path = write(tmp_path / "a.flac", noise(60_000), subtype="PCM_16")
    samples = everything(path)
    content = bytearray(path.read_bytes())
    content[60_000:60_040] = b"\xff" * 40
    put(path, content)

    with SpanReader(path) as reader:
        for start in (1_000, 30_000, 50_000, 2_000):
            span = reader.read(start, 100)
            np.testing.assert_array_equal(span, 0 * span if start == 30_000 else samples[start : start + 100])
        assert reader.damage is not None


@pytest.mark.parametrize("subtype", ["FLOAT", "DOUBLE"])
def test_samples_that_are_no_numbers_are_silent_and_reported(tmp_path, subtype):
    """NaN, infinity and absurd values never reach a measure; real overs of a float file do."""
    samples = noise()
    samples[[100, 2_000, 2_001, 4_000], 0] = [np.nan, np.inf, -np.inf, 1e30]
    samples[50, 0] = 3.5
    path = write(tmp_path / "a.wav", samples, subtype=subtype)

    damage = []
    found = np.concatenate(list(read_blocks(path, block_frames=1_500, on_damage=damage.append)))

    assert found[[100, 2_000, 2_001, 4_000], 0].tolist() == [0, 0, 0, 0]
    assert found[50, 0] == 3.5
    assert np.isfinite(found).all()
    assert damage == [
        "a.wav: 4 samples are no usable numbers, the first at 0.002 s; they are taken as silence. "
        "Copy or export the file again."
    ]


def test_a_signalling_nan_raises_no_warning(tmp_path):
    """Damaged bytes may form the kind of NaN that processors complain about."""
    fmt = chunk(b"fmt ", struct.pack("<HHIIHH", 3, 1, RATE_HZ, 4 * RATE_HZ, 4, 32))
    path = put(tmp_path / "a.wav", wav_bytes(fmt, data=bytes.fromhex("010080 7f 000000 3f")))

    assert everything(path)[:, 0].tolist() == [0.0, 0.5]


def test_damage_goes_into_the_facts(tmp_path):
    """The facts of a good file become those of a damaged one; without damage nothing changes."""
    facts = facts_of(write(tmp_path / "a.wav"))

    assert with_damage(facts, None) is facts
    assert with_damage(facts, "a.wav: x").problem == "damaged"
    assert with_damage(facts, "a.wav: x").problem_text == "a.wav: x"


def test_damage_does_not_hide_that_a_file_is_truncated(tmp_path):
    """The first problem stays, the text has both."""
    facts = facts_of(put(tmp_path / "a.wav", wav_bytes(FMT_24_MONO)[:-300]))

    both = with_damage(facts, "And more.")

    assert both.problem == "truncated"
    assert MOST in both.problem_text
    assert both.problem_text.endswith("And more.")


# ---------------------------------------------------------------- no audio
def test_an_empty_file_is_empty(tmp_path):
    """0 bytes: a recording that was never written."""
    facts = facts_of(put(tmp_path / "kick.wav", b""))

    assert (facts.problem, facts.size_bytes) == ("empty", 0)
    assert facts.problem_text.startswith("kick.wav: 0 bytes;")


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"RIFF", "only 4 bytes"),
        (bytes(4_000), "nothing but zeros"),
        (b"just some text, no audio", "no audio file of a known kind"),
        (b"OggS" + bytes(60), "an Ogg file"),
        (b"\0\0\0\x20ftypM4A " + bytes(60), "an MPEG-4 file"),
        (b"ID3\x03\0\0\0\0\0\x0a" + bytes(10) + b"\xff\xfb" + bytes(60), "an MP3 file"),
        (b"<!DOCTYPE html><html>", "a web page"),
        (wav_bytes(FMT_24_MONO)[:30], "breaks off (30 bytes in all)"),
        (wav_bytes(FMT_24_MONO)[:40], 'chunk "data" is missing'),
        (wav_bytes(), 'chunk "fmt" is missing'),
        (wav_bytes(chunk(b"fmt ", b"\1\0\1\0")), "breaks off"),
        (wav_bytes(chunk(b"fmt ", struct.pack("<HHIIHH", 1, 900, RATE_HZ, 0, 3, 24))), "900 channels"),
        (wav_bytes(chunk(b"fmt ", struct.pack("<HHIIHH", 1, 1, 7, 0, 3, 24))), "7 Hz"),
        (wav_bytes(chunk(b"fmt ", struct.pack("<HHIIHH", 1, 2, RATE_HZ, 0, 3, 24))), "24 bits in 3 bytes"),
        (wav_bytes(chunk(b"fmt ", struct.pack("<HHIIHH", 0x4242, 1, RATE_HZ, 0, 3, 24))), "cannot be decoded"),
        (b"fLaC\x84" + bytes(60), "STREAMINFO"),
        (b"fLaC" + bytes(8), "breaks off"),
        (b"FORM\0\0\0\x04AIFFCOMM", "COMM"),
    ],
)
def test_what_is_no_audio_is_told_by_name(tmp_path, content, said):
    """The line names the file, says what it is instead, and what to do; reading it raises the same line."""
    path = put(tmp_path / "snare.wav", content)

    facts = facts_of(path)

    assert facts.problem == "unreadable"
    assert facts.problem_text.startswith("snare.wav: ")
    assert said in facts.problem_text
    assert "; " in facts.problem_text
    with pytest.raises(StemError) as raised:
        list(read_blocks(path))
    assert str(raised.value) == facts.problem_text


def test_what_is_no_file_is_told(tmp_path):
    """A folder, a pipe (which must not be waited for) and nothing at all under an audio name."""
    (tmp_path / "folder.wav").mkdir()
    os.mkfifo(tmp_path / "pipe.wav")
    (tmp_path / "broken.wav").symlink_to(tmp_path / "gone")

    for name in ("folder.wav", "pipe.wav", "broken.wav"):
        facts = facts_of(tmp_path / name)
        assert facts.problem == "unreadable"
        assert name in facts.problem_text
    with pytest.raises(StemError, match=r"broken\.wav: cannot be opened"):
        read_span(tmp_path / "broken.wav", 0, 10)
    with pytest.raises(StemError, match=r"broken\.wav: cannot be opened"):
        file_sha256(tmp_path / "broken.wav")


def test_the_path_is_relative_to_the_take(tmp_path):
    """With forward slashes, whatever the system writes."""
    (tmp_path / "audio").mkdir()
    path = write(tmp_path / "audio" / "a.wav")

    assert read_facts(path, tmp_path).path == "audio/a.wav"


# ---------------------------------------------------------------- blocks and spans
@pytest.mark.parametrize("name", ["a.wav", "a.flac", "a.aiff"])
def test_blocks_are_the_file_in_order(tmp_path, name):
    """Full blocks, a shorter last one, any stretch."""
    path = write(tmp_path / name, noise(n_channels=2), subtype="PCM_24")
    whole = sf.read(path)[0]

    blocks = list(read_blocks(path, block_frames=2_000))

    assert [b.shape for b in blocks] == [(2_000, 2), (2_000, 2), (1_000, 2)]
    assert all(b.dtype == np.float64 for b in blocks)
    np.testing.assert_array_equal(np.concatenate(blocks), whole)
    stretch = list(read_blocks(path, block_frames=300, start_frame=1_000, n_frames=700))
    np.testing.assert_array_equal(np.concatenate(stretch), whole[1_000:1_700])
    assert sum(len(b) for b in read_blocks(path, start_frame=4_900, n_frames=700)) == 100


@pytest.mark.parametrize("name", ["a.wav", "a.flac", "a.aiff"])
@pytest.mark.parametrize("start", [-50, 0, 10, 4_090, N_FRAMES - 30, N_FRAMES + 10, -500])
def test_a_span_has_the_length_asked_for(tmp_path, name, start):
    """Zeros stand for what lies outside the file."""
    path = write(tmp_path / name, subtype="PCM_16")
    padded = np.concatenate([np.zeros((1_000, 1)), sf.read(path, always_2d=True)[0], np.zeros((1_000, 1))])

    np.testing.assert_array_equal(read_span(path, start, 100), padded[1_000 + start : 1_100 + start])


@pytest.mark.parametrize("name", ["a.wav", "a.flac", "a.aiff"])
def test_one_reader_gives_many_spans(tmp_path, name):
    """In increasing order, overlapping, and backwards."""
    path = write(tmp_path / name, noise(30_000), subtype="PCM_16")
    whole = sf.read(path, always_2d=True)[0]

    with SpanReader(path) as reader:
        assert (reader.n_frames, reader.n_channels, reader.rate_hz) == (30_000, 1, RATE_HZ)
        for start in (0, 500, 700, 9_000, 29_000, 3, 12_000):
            np.testing.assert_array_equal(reader.read(start, 400), whole[start : start + 400])
        assert reader.damage is None


def test_a_file_that_shrinks_while_it_is_read_is_padded_and_reported(tmp_path):
    """A copy that is still under way, or a disk pulled out: the time base holds."""
    path = put(tmp_path / "a.wav", wav_bytes(FMT_24_MONO))
    with SpanReader(path) as reader:
        os.truncate(path, 44 + 3 * 1_000)

        assert np.count_nonzero(reader.read(0, 3_000)) == 1_000
        assert "0.042 s cannot be decoded, the first at 0.021 s" in reader.damage  # 2000 and 1000 frames of 48 000


def test_the_checksum_is_that_of_the_bytes(tmp_path):
    """As any other tool would compute it."""
    path = write(tmp_path / "a.wav", noise(200_000))

    assert file_sha256(path) == hashlib.sha256(path.read_bytes()).hexdigest()


# ---------------------------------------------------------------- anything at all
def rich_wav(tmp_path):
    extensible = write(tmp_path / "x.wav", noise(400, 2), format="WAVEX", subtype="PCM_24").read_bytes()
    return b"RIFF\0\0\0\0WAVE" + bext(b"Tidewall", 2**33) + chunk(b"LIST", b"INFOx") + extensible[12:]


def rich_file(tmp_path, kind):
    if kind == "wav":
        return rich_wav(tmp_path)
    fmt, suffix = {"rf64": ("RF64", "wav"), "aiff": ("AIFF", "aif"), "flac": ("FLAC", "flac")}[kind]
    return write(tmp_path / f"x.{suffix}", noise(400, 2), format=fmt, subtype="PCM_24").read_bytes()


def check_never_raises(path: Path):
    facts = facts_of(path)
    assert (facts.problem is None) == (facts.problem_text is None)
    if facts.problem == "unreadable":
        with pytest.raises(StemError):
            list(read_blocks(path))
    elif facts.n_frames is not None:
        assert facts.n_frames < 10**7  # or reading would take for ever: no file here has more
        blocks = list(read_blocks(path))
        assert sum(map(len, blocks)) == facts.n_frames
        assert all(np.isfinite(b).all() for b in blocks)
    return facts


@pytest.mark.parametrize("kind", ["wav", "rf64", "aiff", "flac"])
def test_a_file_cut_anywhere_never_raises(tmp_path, kind):
    """Cut at sixty places in the header and twenty in the audio: a problem is told, or nothing is missing."""
    content = rich_file(tmp_path, kind)
    header_end = len(content) - 6 * 400 if kind != "flac" else 200
    cuts = [*np.linspace(0, header_end, 60), *np.linspace(header_end, len(content), 20)]
    path = tmp_path / "cut"
    for cut in map(int, cuts[:-1]):
        facts = check_never_raises(put(path, content[:cut]))
        assert facts.problem is not None or cut > len(content) - 100, cut
    assert check_never_raises(put(path, content)).problem is None


@pytest.mark.parametrize("kind", ["wav", "rf64", "aiff", "flac"])
def test_a_file_with_flipped_bytes_never_raises(tmp_path, kind):
    """One to four wrong bytes in the header, 150 times: always facts, always as many frames as promised."""
    content = rich_file(tmp_path, kind)
    header_end = len(content) - 6 * 400 if kind != "flac" else 120
    random = np.random.default_rng(20)
    path = tmp_path / "flipped"
    told = 0
    for _ in range(150):
        wrong = bytearray(content)
        for at in random.integers(0, header_end, random.integers(1, 5)):
            wrong[at] ^= int(random.integers(1, 256))
        told += check_never_raises(put(path, wrong)).problem is not None
    assert told > 10  # many flips hit what matters, or the test would not test
