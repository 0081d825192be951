"""A channel's page and the room's: spectra over one another, how a ring falls, the decay octave by octave."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pypdf import PdfReader

import samples
from kitproof import reasons
from kitproof.model import ChannelPicture, Measurements, Pictures
from kitproof.observed.instrument import DrumRing
from kitproof.observed.room import OctaveDecay, RoomDecay
from kitproof.report import document, style
from kitproof.report.context import Context
from kitproof.report.document import write_report
from kitproof.report.figures.decays import longest_s, octave_label
from kitproof.report.figures.fundamentals import pitches
from kitproof.report.figures.ring import fitted
from kitproof.report.pages import channels, room
from kitproof.report.style import PageSize
from kitproof.report.typeset import printable
from kitproof.report.wording import languages, load_words
from pdf_boxes import TextBox, clashes, joined, text_boxes

KICK, SNARE, OVERHEAD = 0, 2, 9  # places in the samples' kit
NEVER_ALONE = reasons.NEVER_ALONE.format(least=6)
NO_DRUM = dict.fromkeys(ChannelPicture.NULLABLE, reasons.NO_SINGLE_DRUM)


def ring_of(file: str, drum: str = "kick", **given: Any) -> DrumRing:
    """A ring of 2 s at 61.6 Hz; of what is None, the reason is that it is damped."""
    values: dict[str, Any] = dict.fromkeys(DrumRing.NULLABLE)
    values |= {"late_hz": 61.6, "pitch": "B1", "pitch_cents": -4.0, "decay_s": 2.0, "decay_range_db": 20.0}
    values |= {"fall_db": tuple(-30.0 * 0.05 * i for i in range(26))} | given
    why = {name: reasons.DAMPED for name in DrumRing.NULLABLE if values[name] is None}
    return DrumRing(drum=drum, file=file, n_strokes=40, late_n=20, unmeasured=why, **values)


def octave(centre_hz: float, *, t20_s: float | None, early_s: float | None = 0.3, drum_s: float | None = 0.2) -> Any:
    """One octave of one mic."""
    values = {"early_s": early_s, "t20_s": t20_s, "drum_s": drum_s, "room_s": None}
    why = {name: reasons.TAIL_COVERED if name != "room_s" else reasons.DRUM_AS_LONG for name in values}
    return OctaveDecay(
        centre_hz=centre_hz, **values, unmeasured={n: why[n] for n, v in values.items() if v is None}
    )  # fmt: skip


def decay_of(file: str, *octaves: OctaveDecay) -> RoomDecay:
    """A distant mic whose octaves are known."""
    return RoomDecay(
        file=file, n_strokes=8, free_s=0.4, early_over_late_db=6.0, early_spread_db=1.0, octaves=octaves
    )  # fmt: skip


def levels(picture: ChannelPicture, dbfs: float) -> Any:
    return np.full(len(picture.band_hz), dbfs)


def take(
    own_dbfs: float | None = -40.0,
    bleed_dbfs: float | None = -60.0,
    *,
    rings: bool = False,
    decays: tuple[RoomDecay, ...] = (),
    n_channels: int = 3,
    n_findings: int = 0,
    **ring: Any,
) -> tuple[Measurements, Pictures]:
    """A take whose close mics have flat spectra at their strokes over noise of -100 dBFS; distant mics have none."""
    measurements, pictures = samples.take(n_channels=n_channels, n_findings=n_findings, duration_s=40.0)
    shown = []
    for one, channel in zip(pictures.channels, measurements.channels, strict=True):
        own, bleed = (None if d is None or channel.drum is None else levels(one, d) for d in (own_dbfs, bleed_dbfs))
        why = {"own_spectrum_dbfs": reasons.FEW_STROKES} if own is None else {}
        why |= {"bleed_spectrum_dbfs": NEVER_ALONE} if bleed is None else {}
        shown.append(
            replace(
                one,
                noise_spectrum_dbfs=levels(one, -100.0),
                spectrum_dbfs=levels(one, -50.0),
                own_spectrum_dbfs=own,
                bleed_spectrum_dbfs=bleed,
                unmeasured=NO_DRUM if channel.drum is None else why,
            )
        )
    own_files = {d.drum: d.file for d in measurements.drums}
    logs = tuple(ring_of(f, drum, **ring) for drum, f in own_files.items()) if rings else ()
    observed = replace(measurements.observed, rings=logs, room_decays=decays)
    return replace(measurements, observed=observed), replace(pictures, channels=tuple(shown))


def pages(
    monkeypatch: pytest.MonkeyPatch,
    folder: Path,
    made: tuple[Measurements, Pictures],
    section: Any = channels,
    language: str = "en",
    page_size: PageSize = "a4",
) -> list[list[TextBox]]:
    """One section of the report alone, page by page."""
    monkeypatch.setattr(document, "SECTIONS", (section,))
    write_report(*made, folder / "r.pdf", language=language, page_size=page_size, small=True)
    return [text_boxes(page) for page in PdfReader(folder / "r.pdf").pages]


def height_of(page: list[TextBox], text: str) -> float:
    """How high above the foot of the page a text stands."""
    (box,) = [b for b in page if b.text == text]
    return box.y0


# ---------------------------------------------------------------- spectra
@pytest.mark.parametrize(
    ("own_dbfs", "bleed_dbfs", "from_top"),
    [(-40.0, -60.0, ["own", "bleed", "noise"]), (-80.0, -30.0, ["bleed", "own", "noise"])],
)
def test_each_curve_is_named_at_its_end(
    own_dbfs: float, bleed_dbfs: float, from_top: list[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Right of the spectra stand the names of the three curves, in the order in which they lie over one another."""
    page = pages(monkeypatch, tmp_path, take(own_dbfs, bleed_dbfs))[KICK]

    assert sorted(from_top, key=lambda name: -height_of(page, name)) == from_top
    assert load_words("en")("channels.caption_spectra") in joined(page)


def test_names_of_curves_that_end_side_by_side_stay_apart(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Three curves at one level, at the top, in the middle and at the foot of the scale: no name covers another."""
    for dbfs in (20.0, -60.0, -140.0):
        measurements, pictures = take(dbfs, dbfs, n_channels=1)
        alike = tuple(replace(p, noise_spectrum_dbfs=levels(p, dbfs)) for p in pictures.channels)
        (page,) = pages(monkeypatch, tmp_path, (measurements, replace(pictures, channels=alike)))
        assert clashes(page) == []
        assert {"own", "bleed", "noise"} <= {b.text for b in page}


def test_a_bleed_that_stands_out_in_some_bands_only_has_its_name_there(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Above 300 Hz nothing is known of it: the name stands inside the figure, the others at its edge."""
    measurements, pictures = take(n_channels=1)
    (one,) = pictures.channels
    partly = replace(one, bleed_spectrum_dbfs=np.where(one.band_hz < 300.0, -60.0, -np.inf))
    (page,) = pages(monkeypatch, tmp_path, (measurements, replace(pictures, channels=(partly,))))

    own, bleed = (next(b for b in page if b.text == name) for name in ("own", "bleed"))
    assert bleed.x1 < own.x0 - 50.0
    assert clashes(page) == []


@pytest.mark.parametrize("language", ["en", "de"])
def test_a_mic_without_bleed_says_why_instead(language: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Where no stroke of others stands alone, the curve is left out and the caption says so in the reader's words."""
    words = load_words(language)
    page = pages(monkeypatch, tmp_path, take(bleed_dbfs=None), language=language)[KICK]

    assert words("channels.no_bleed", reason=words("reason.never_alone", least="6")) in joined(page)
    assert words("channels.curve_bleed") not in {b.text for b in page}
    assert words("channels.curve_own") in {b.text for b in page}


def test_a_distant_mic_has_no_own_strokes_and_no_bleed(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """An overhead shows the file's spectrum over its noise, and says that it stands at no drum."""
    page = pages(monkeypatch, tmp_path, take(n_channels=OVERHEAD + 1))[OVERHEAD]

    named = {b.text for b in page}
    assert {"file", "noise"} <= named
    assert not {"own", "bleed"} & named
    assert load_words("en")("channels.caption_far") in joined(page)


def test_pictures_of_an_earlier_version_still_have_their_page(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Without spectra at strokes, that of the mean stroke is drawn, and it is said that no bleed was measured."""
    made = samples.take(n_channels=1, n_findings=0, duration_s=40.0)
    (page,) = pages(monkeypatch, tmp_path, made)

    assert {"own", "noise"} <= {b.text for b in page}
    assert load_words("en")("reason.not_saved") in joined(page)


# ---------------------------------------------------------------- ring
def test_the_ring_of_an_own_mic_is_drawn_with_its_decay(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """The own mic's page says how long the ring takes; the drum's second mic has no such figure."""
    found = pages(monkeypatch, tmp_path, take(rings=True))

    assert "−60 dB in 2.00 s" in {b.text for b in found[KICK]}
    assert load_words("en")("channels.caption_ring") in joined(found[KICK])
    assert "−60 dB in 2.00 s" not in joined(found[KICK + 1])


def test_a_ring_without_a_decay_shows_its_dots_and_says_so(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Where strokes fall along no line there is no number, but the reason."""
    made = take(rings=True, decay_s=None, decay_range_db=None)
    page = pages(monkeypatch, tmp_path, made)[KICK]

    assert load_words("en")("channels.ring_bent") in {b.text for b in page}
    assert load_words("en")("channels.caption_ring_bent") in joined(page)
    assert load_words("en")("reason.damped") in joined(page)


def test_a_damped_drum_has_no_ring_figure_but_the_reason(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """No late ring: the number is missing with its reason, and nothing is drawn."""
    made = take(rings=True, late_hz=None, pitch=None, pitch_cents=None, decay_s=None, decay_range_db=None, fall_db=())
    page = pages(monkeypatch, tmp_path, made)[KICK]

    assert load_words("en")("channels.ring_title") not in {b.text for b in page}
    assert load_words("en")("reason.damped") in joined(page)


def test_the_line_of_a_ring_lies_on_its_dots() -> None:
    """An exact decay of 30 dB a second, 7.5 dB at the stroke: the line is that, read where it falls.

    A head that first comes up to its pitch, and the noise at the end, do not move it.
    """
    time_s = 0.15 + 0.05 * np.arange(27)
    level = -30.0 * time_s + 7.5
    level[:2] = (-12.0, -5.0)
    level[level < -36.0] = -36.0
    line = fitted(ring_of("a.wav", fall_db=tuple(level.round(1)), decay_s=2.0, decay_range_db=20.0))

    assert line is not None
    at_stroke, first_s, last_s = line
    assert at_stroke == pytest.approx(7.5, abs=0.06)  # dots are saved to a tenth
    assert first_s == pytest.approx(0.35)  # once 2 dB under the highest dot
    assert last_s == pytest.approx(1.15, abs=0.051)  # 28 dB down, to a step
    assert fitted(ring_of("a.wav", decay_s=None, decay_range_db=None)) is None
    assert fitted(ring_of("a.wav", fall_db=())) is None


# ---------------------------------------------------------------- pitches on the spectrogram
def test_the_drums_pitches_are_named_beside_the_spectrogram(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """The highest first, on the page of every mic; a drum without a late ring by the pitch of its strokes."""
    measurements, pictures = take(n_channels=3)
    kick = ring_of("01 kick-in.wav")
    snare = ring_of(
        "03 snare-top.wav", "snare", late_hz=None, pitch=None, pitch_cents=None, decay_s=None, decay_range_db=None,
        fall_db=(), early_hz=214.6,
    )  # fmt: skip
    known = replace(measurements, observed=replace(measurements.observed, rings=(kick, snare)))
    for page in pages(monkeypatch, tmp_path, (known, pictures)):
        assert height_of(page, "snare 215") > height_of(page, "kick 62")
        assert load_words("en")("channels.caption_pitches") in joined(page)


def test_without_a_pitch_nothing_is_marked(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """No triangles are spoken of where there are none."""
    assert load_words("en")("channels.caption_pitches") not in joined(pages(monkeypatch, tmp_path, take())[KICK])


def test_more_pitches_than_have_room_leave_the_own_one() -> None:
    """On a crowded page the mic's own drum is marked alone; a mic of no drum marks none."""
    measurements, pictures = take(rings=True, n_channels=8)
    ctx = Context(measurements, pictures, load_words("en"), small=True)

    assert len(pitches(ctx, "kick", 9)) == len(measurements.observed.rings) > 2
    assert [p.drum for p in pitches(ctx, "kick", 2)] == ["kick"]
    assert pitches(ctx, None, 2) == []


# ---------------------------------------------------------------- one page
@pytest.mark.parametrize("language", languages())
@pytest.mark.parametrize("page_size", ["letter", "a4"])
def test_the_fullest_channel_keeps_its_one_page(
    language: str, page_size: PageSize, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Three figures, missing numbers with reasons, a bleed that could not be had and findings: one page, no overlap."""
    made = take(bleed_dbfs=None, rings=True, decay_s=None, decay_range_db=None, n_channels=3, n_findings=12)
    found = pages(monkeypatch, tmp_path, made, language=language, page_size=page_size)

    assert len(found) == 3
    assert [clashes(page) for page in found] == [[], [], []]
    title = printable(load_words(language)("channels.levels"), style.BOLD)
    assert all(title in {b.text for b in found[i]} for i in (KICK, SNARE))


# ---------------------------------------------------------------- the room
def rooms(n: int = 2) -> tuple[RoomDecay, ...]:
    """Decays of the samples' distant mics; 125 Hz hangs on in all, the last octave is not known."""
    measurements, _ = samples.take(n_channels=14, n_findings=0, duration_s=40.0)
    files = [c.file for c in measurements.channels if c.drum is None][:n]
    seconds = (0.93, 0.41, 0.42, 0.43, None)
    return tuple(
        decay_of(
            f, *(octave(hz, t20_s=s) for hz, s in zip((125.9, 251.2, 501.2, 1000.0, 1995.3), seconds, strict=True))
        )
        for f in files
    )


def test_the_room_is_told_octave_by_octave(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Each mic has its decay in every octave, and the reason where there is none."""
    (page,) = pages(monkeypatch, tmp_path, take(decays=rooms(), n_channels=14), room)

    said = [b.text for b in page]
    for text in ("125 Hz", "250 Hz", "500 Hz", "1k Hz", "2k Hz"):
        assert text in said
    assert said.count("0.93") == 2
    assert load_words("en")("room.caption_octaves") in joined(page)
    assert load_words("en")("reason.tail_covered") in joined(page)
    assert clashes(page) == []


def test_a_room_without_any_octave_says_why(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """No empty figure: one sentence with the reason."""
    nothing = tuple(
        replace(r, octaves=tuple(octave(o.centre_hz, t20_s=None, early_s=None) for o in r.octaves)) for r in rooms()
    )
    (page,) = pages(monkeypatch, tmp_path, take(decays=nothing, n_channels=14), room)

    words = load_words("en")
    assert words("room.no_octave", reason=words("reason.tail_covered")) in joined(page)
    assert words("room.caption_octaves") not in joined(page)


@pytest.mark.parametrize("language", languages())
def test_the_room_fits_its_page_in_every_language(
    language: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Four distant mics on the smaller paper: one page, nothing over another."""
    found = pages(monkeypatch, tmp_path, take(decays=rooms(4), n_channels=14), room, language, "letter")

    assert len(found) == 1
    assert clashes(found[0]) == []


def test_octaves_have_their_nominal_names() -> None:
    """Exact mid-bands of IEC 61260-1 are called as the standard calls them; all mics share one scale."""
    exact = [1000.0 * 10.0 ** (0.3 * k) for k in (-3, -2, -1, 0, 1, 2)]

    assert [octave_label(hz) for hz in exact] == ["125", "250", "500", "1k", "2k", "4k"]
    assert longest_s([octave(500.0, t20_s=0.93), octave(1000.0, t20_s=None)]) == 1.0
    assert longest_s([octave(500.0, t20_s=0.5)]) == 1.0  # never a dot on the edge
    assert longest_s([octave(500.0, t20_s=None, early_s=None, drum_s=None)]) == 0.0
