"""The records that travel between the stages. Frozen; units in the names; None always with a reason.

Where a number is born, travels and is drawn:

    ingest/   folder -> Take, FileFacts            (no samples looked at beyond the header)
    measure/  samples -> ChannelMeasures, Hit, DrumMeasures, BleedEntry, PairEntry, pictures
    find/     measures -> Finding, NotChecked, Verdict
    saved.py  Measurements <-> measurements.json, pictures.npz, hits.csv
    report/   Measurements and pictures -> report.pdf

Conventions: times in seconds from the start of the file; a delay is positive when `b` hears the
drum after `a`; levels in dBFS relative to amplitude 1.0 (see units.py). A `file` is the key of one
channel: the file's name, with ":2" added for the second channel of an interleaved file.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from kitproof.observed import Observed
from kitproof.reasons import NOT_SAVED, check_reasons

SCHEMA_VERSION = 1

FloatArray = NDArray[np.floating[Any]]
Polarity = Literal["same", "opposite", "unclear"]
Fuller = Literal["leave", "flip", "move"]
Side = Literal["positive", "negative"]
Severity = Literal["fix", "look", "note"]
VerdictWord = Literal["keep", "fix-and-redo", "redo", "unknown"]
Progress = Callable[[str, int, int], None]  # told of every job: stage, jobs done, jobs in all


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """One microphone of the take, as declared or read from the file's name."""

    file: str  # key: file name, ":2" added for the second channel of an interleaved file
    path: str  # relative to the take folder
    index_in_file: int  # from 0
    role: str  # see roles.py
    role_source: Literal["take.toml", "file name", "unknown"]
    label: str  # how the report calls it: "snare top"
    mic: str | None = None
    preamp: str | None = None
    position: str | None = None
    note: str | None = None
    to_own_drum_m: float | None = None
    to_snare_m: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FileFacts:
    """What the header of one audio file says, and whether it could be read."""

    path: str
    size_bytes: int
    sha256: str | None
    container: str | None = None  # "WAV", "RF64", "AIFF", "FLAC"
    encoding: str | None = None  # "PCM_24", "FLOAT", ...
    bit_depth: int | None = None
    rate_hz: int | None = None
    n_channels: int | None = None
    n_frames: int | None = None  # frames that are really there
    declared_frames: int | None = None  # frames that the header promises
    time_reference_frames: int | None = None  # broadcast header: first sample, counted from midnight
    description: str | None = None  # broadcast header
    problem: Literal["unreadable", "truncated", "empty", "damaged"] | None = None
    problem_text: str | None = None  # what was found and what to do


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A part of the song, as declared."""

    name: str
    bar: int  # its first, counted from 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Take:
    """A take folder, read: what is in it and what its take.toml declares."""

    folder: str
    name: str  # folder name
    song: str | None
    number: int | None
    tempo_bpm: float | None
    temperature_c: float
    temperature_declared: bool
    channels: tuple[Channel, ...]
    files: tuple[FileFacts, ...]
    ignored: tuple[str, ...] = ()  # other files lying about
    remarks: tuple[str, ...] = ()  # what the reader of the take should know, in plain sentences
    beats_per_bar: int | None = None  # declared
    first_bar_s: float | None = None  # declared: where bar 1 begins, from the start of the files
    sections: tuple[Section, ...] = ()  # declared, in the order of their bars
    limits: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)  # where set -> threshold -> value, last wins


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseBand:
    """Noise floor within one band."""

    low_hz: float
    high_hz: float
    level_dbfs: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ClipRun:
    """Consecutive samples that stand at the same top value."""

    start_s: float
    n_samples: int
    level_dbfs: float
    side: Literal["positive", "negative"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelMeasures:
    """All numbers of one channel. A None has its reason in `unmeasured`, by field name."""

    file: str
    role: str
    drum: str | None  # the drum this mic belongs to; None for overheads, rooms, click ...
    rate_hz: int
    n_frames: int
    duration_s: float
    sample_peak_dbfs: float | None
    sample_peak_time_s: float | None
    true_peak_dbtp: float | None
    rms_dbfs: float | None
    crest_db: float | None  # sample peak over RMS, whole file
    hit_crest_db: float | None  # median over own hits
    integrated_lufs: float | None  # as a mono file; the same in L and R would read 3.01 LU higher
    max_momentary_lufs: float | None
    max_short_term_lufs: float | None
    loudness_range_lu: float | None
    noise_floor_dbfs: float | None
    noise_bands: tuple[NoiseBand, ...]
    dc_fraction: float | None
    used_bits: int | None  # word length really used
    clip_runs_n: int
    clip_runs: tuple[ClipRun, ...]  # the first ones, at most 200
    n_own_hits: int
    unmeasured: Mapping[str, str] = field(default_factory=dict)

    NULLABLE = (
        "sample_peak_dbfs", "sample_peak_time_s", "true_peak_dbtp", "rms_dbfs", "crest_db", "hit_crest_db",
        "integrated_lufs", "max_momentary_lufs", "max_short_term_lufs", "loudness_range_lu",
        "noise_floor_dbfs", "dc_fraction", "used_bits",
    )  # fmt: skip

    def __post_init__(self) -> None:
        check_reasons(self, self.NULLABLE, self.unmeasured)


@dataclass(frozen=True, slots=True, kw_only=True)
class Hit:
    """One stroke: when its direct sound reaches the drum's own close mic, and how hard it was."""

    time_s: float
    drum: str  # "unmiked" for a drum or cymbal without a mic of its own
    file: str  # own close mic; for "unmiked" the mic that heard it loudest
    peak_dbfs: float | None
    crest_db: float | None
    attack_ms: float | None  # 10 % to 100 % of the peak
    strength_db: float | None  # against the median hit of the same drum
    confidence: float  # 0..1
    unmeasured: Mapping[str, str] = field(default_factory=dict)

    NULLABLE = ("peak_dbfs", "crest_db", "attack_ms", "strength_db")

    def __post_init__(self) -> None:
        check_reasons(self, self.NULLABLE, self.unmeasured)


@dataclass(frozen=True, slots=True, kw_only=True)
class DrumMeasures:
    """One drum over the take."""

    drum: str
    file: str  # own close mic
    n_hits: int
    median_peak_dbfs: float | None
    softest_peak_dbfs: float | None
    loudest_peak_dbfs: float | None
    gate_window_db: float | None  # weakest own hit (10th percentile) over loudest foreign sound in the own mic
    foreign_time_share: float | None  # share of time in which foreign sound dominates the own mic
    unmeasured: Mapping[str, str] = field(default_factory=dict)

    NULLABLE = (
        "median_peak_dbfs", "softest_peak_dbfs", "loudest_peak_dbfs", "gate_window_db", "foreign_time_share",
    )  # fmt: skip

    def __post_init__(self) -> None:
        check_reasons(self, self.NULLABLE, self.unmeasured)


@dataclass(frozen=True, slots=True, kw_only=True)
class BleedEntry:
    """How loud `drum` is in another drum's close mic, against that mic's own drum, median hits, 60 ms energy."""

    drum: str
    file: str
    bleed_db: float | None
    bleed_low_db: float | None  # below 250 Hz
    bleed_mid_db: float | None  # 250 Hz to 4 kHz
    bleed_high_db: float | None  # above 4 kHz
    spread_db: float | None  # interquartile range over hits
    n_hits: int
    unmeasured: Mapping[str, str] = field(default_factory=dict)
    at_most_db: float | None = None  # where bleed_db is None: a bound, if there is one

    NULLABLE = ("bleed_db", "bleed_low_db", "bleed_mid_db", "bleed_high_db", "spread_db")

    def __post_init__(self) -> None:
        check_reasons(self, self.NULLABLE, self.unmeasured)


@dataclass(frozen=True, slots=True, kw_only=True)
class PairEntry:
    """One drum in two mics: how much later, with which sign, and which way the sum is fuller."""

    a: str
    b: str
    drum: str
    n_hits: int
    delay_ms: float | None  # positive: b hears it later
    delay_spread_ms: float | None  # standard error over groups of hits, half-width of 68 %
    path_cm: float | None  # the same as a path difference
    polarity: Polarity | None
    polarity_confidence: float | None  # 0..1
    fuller: Fuller | None  # which way the sum of both has more low end
    fuller_db: float | None  # energy of the sum over energy of the difference; negative: fuller flipped
    fuller_agreement: float | None  # share of hits that say the same
    first_notch_hz: float | None  # of the equal-level sum, from the delay
    unmeasured: Mapping[str, str] = field(default_factory=dict)

    NULLABLE = (
        "delay_ms", "delay_spread_ms", "path_cm", "polarity", "polarity_confidence",
        "fuller", "fuller_db", "fuller_agreement", "first_notch_hz",
    )  # fmt: skip

    def __post_init__(self) -> None:
        check_reasons(self, self.NULLABLE, self.unmeasured)


# ---------------------------------------------------------------- faults: what the samples of a channel show
@dataclass(frozen=True, slots=True, kw_only=True)
class Plateau:
    """A ceiling at which one side of the waveform has flat tops, over several hits."""

    side: Side
    ceiling_dbfs: float
    spread_db: float  # standard deviation of the ceiling over its flat tops
    n_tops: int
    n_moments: int  # hits, or whatever else reached it, 30 ms apart at least
    times_s: tuple[float, ...]  # of the moments, at most 200
    confidence: float  # 0..1
    n_beside: int = 0  # samples beside the highest one within 0.3 dB of it, all tops together
    n_level: int = 0  # of them, at the ceiling: most of a flat top, a quarter of a round one


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """A place at which samples are missing: a held value while the channel sounds, or a jump."""

    start_s: float
    n_samples: int  # of the held value; 0 for a jump
    kind: Literal["zeros", "held", "jump"]
    step_db: float  # the jump at its edge over the steps from sample to sample around it


@dataclass(frozen=True, slots=True, kw_only=True)
class HumLine:
    """One harmonic of the mains."""

    harmonic: int  # 1 for the fundamental
    level_dbfs: float  # peak amplitude of the tone
    snr_db: float  # over the lines around it


@dataclass(frozen=True, slots=True, kw_only=True)
class Hum:
    """Mains tone of one channel; None: there is none to be heard, or the reason why it could not be looked for."""

    fundamental_hz: float | None
    spread_hz: float | None  # standard deviation over the segments of the take
    lines: tuple[HumLine, ...]
    level_dbfs: float | None  # RMS of all its lines
    confidence: float | None  # 0..1
    unmeasured: Mapping[str, str] = field(default_factory=dict)

    NULLABLE = ("fundamental_hz", "spread_hz", "level_dbfs", "confidence")

    def __post_init__(self) -> None:
        check_reasons(self, self.NULLABLE, self.unmeasured)


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelFaults:
    """What the one pass over a channel shows beyond its levels."""

    file: str
    plateaus: tuple[Plateau, ...]  # at most one per side
    gaps: tuple[Gap, ...]  # at most 400
    hum: Hum


@dataclass(frozen=True, slots=True, kw_only=True)
class Duplicate:
    """Two channels that carry one signal."""

    a: str
    b: str
    shift_samples: int  # positive: b has it later
    gain_db: float  # of b over a
    inverted: bool
    residual_db: float  # what is left of b after taking away a, against b


@dataclass(frozen=True, slots=True, kw_only=True)
class ClickBleed:
    """The headphone click in one mic; None: not to be heard, or the reason why it could not be looked for."""

    file: str
    level_db: float | None  # energy against that of the click's own channel
    delay_ms: float | None  # after the click's own channel
    snr_db: float | None  # over what the same search finds at times where no click is
    n_clicks: int
    unmeasured: Mapping[str, str] = field(default_factory=dict)

    NULLABLE = ("level_db", "delay_ms", "snr_db")

    def __post_init__(self) -> None:
        check_reasons(self, self.NULLABLE, self.unmeasured)


@dataclass(frozen=True, slots=True, kw_only=True)
class DelayCourse:
    """How the delay of one channel against all others changes over the take."""

    file: str
    n_strokes: int
    drift_ppm: float | None  # positive: ever later
    drift_error_ppm: float | None  # half-width of 68 %
    step_ms: float | None  # best single step, positive: later afterwards
    step_error_ms: float | None
    step_time_s: float | None
    shape: Literal["steady", "drift", "step"] | None  # which of them describes the strokes best
    unmeasured: Mapping[str, str] = field(default_factory=dict)

    NULLABLE = ("drift_ppm", "drift_error_ppm", "step_ms", "step_error_ms", "step_time_s", "shape")

    def __post_init__(self) -> None:
        check_reasons(self, self.NULLABLE, self.unmeasured)


@dataclass(frozen=True, slots=True, kw_only=True)
class LowEndPair:
    """Two mics below the frequency under which a record's lows are kept in mono."""

    a: str
    b: str
    below_hz: float
    correlation: float  # -1..1, at no lag, over the whole take
    mono_db: float  # energy of the level-matched sum against both alone: +3.01 alike, 0 unrelated, negative: cancels
    side_db: float | None  # of a left and a right mic: side over middle
    unmeasured: Mapping[str, str] = field(default_factory=dict)

    NULLABLE = ("side_db",)

    def __post_init__(self) -> None:
        check_reasons(self, self.NULLABLE, self.unmeasured)


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing the engineer should know: what, where, when, how much, what to do."""

    code: str
    severity: Severity
    files: tuple[str, ...]
    message: str  # a plain sentence
    action: str  # one thing to do now
    value: float | None = None
    unit: str = ""  # of value: "dBFS", "ms", "Hz", "ppm", "s", ""
    confidence: float = 1.0  # 0..1
    times_s: tuple[float, ...] = ()  # at most 20
    n_times: int = 0  # how many there are in all
    else_maybe: str = ""  # what else it might be
    drum: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class NotChecked:
    """A check that could not be made, and why."""

    check: str
    reason: str
    code: str = ""  # which check, for those who say it in another language; "" if there is no name for it
    files: tuple[str, ...] = ()  # the channels it is about
    drums: tuple[str, ...] = ()
    n: int = 0  # how many mics or drums are concerned, where that is said


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact:
    """Something good about the take as data, so that it can be said in any language."""

    key: str  # names the sentence
    files: tuple[str, ...] = ()  # the channels it is about; of pairs one after the other
    numbers: Mapping[str, float] = field(default_factory=dict)  # by name; units in the names


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """Is the take technically keepable? In words; never a score."""

    word: VerdictWord
    sentence: str
    red_lines: tuple[int, ...]  # at most three indexes into findings
    good: tuple[str, ...]  # what is fine, in plain sentences
    why: str = ""  # names the sentence; "" where nobody judged
    lost: tuple[str, ...] = ()  # what is lost for good: "kick", "snare", "overheads", "overhead"
    good_facts: tuple[Fact, ...] = ()  # `good` as data, one for one


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurements:
    """Everything known about one take: what is saved, and all that the report may draw."""

    take: Take
    channels: tuple[ChannelMeasures, ...]
    drums: tuple[DrumMeasures, ...]
    hits: tuple[Hit, ...]
    bleed: tuple[BleedEntry, ...]
    pairs: tuple[PairEntry, ...]
    findings: tuple[Finding, ...]
    not_checked: tuple[NotChecked, ...]
    verdict: Verdict
    settings: Mapping[str, Any]
    versions: Mapping[str, str]
    faults: tuple[ChannelFaults, ...] = ()  # one per measured channel
    duplicates: tuple[Duplicate, ...] = ()
    click_bleed: tuple[ClickBleed, ...] = ()  # one per mic; empty without a click channel
    courses: tuple[DelayCourse, ...] = ()  # one per channel that hears a drum
    low_end: tuple[LowEndPair, ...] = ()  # every two mics with a low end
    observed: Observed = field(default_factory=Observed)  # what the finer checks saw, one list per kind
    schema_version: int = SCHEMA_VERSION


# ---------------------------------------------------------------- pictures: small arrays for the report
SPECTRA_AT_STROKES = ("own_spectrum_dbfs", "bleed_spectrum_dbfs")


def _not_looked_at() -> Mapping[str, str]:
    return dict.fromkeys(SPECTRA_AT_STROKES, NOT_SAVED)


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelPicture:
    """What one channel's page is drawn from. Columns are equal stretches of time over the whole file."""

    file: str
    duration_s: float
    wave_min: FloatArray  # (n_wave_columns,) full scale 1.0
    wave_max: FloatArray  # (n_wave_columns,)
    band_hz: FloatArray  # (n_bands,) centres, logarithmic
    spectrogram_dbfs: FloatArray  # (n_bands, n_columns) level per band, loudest moment of the column
    spectrum_dbfs: FloatArray  # (n_bands,) mean over the file
    noise_spectrum_dbfs: FloatArray  # (n_bands,) of the quietest stretches
    own_spectrum_dbfs: FloatArray | None = None  # (n_bands,) mean around strokes of its own drum
    bleed_spectrum_dbfs: FloatArray | None = None  # (n_bands,) what others add while its own is silent; -inf: hidden
    n_own_strokes: int = 0  # that the first of these was taken from
    n_foreign_strokes: int = 0  # and the second
    unmeasured: Mapping[str, str] = field(default_factory=_not_looked_at)

    NULLABLE = SPECTRA_AT_STROKES

    def __post_init__(self) -> None:
        check_reasons(self, self.NULLABLE, self.unmeasured)


@dataclass(frozen=True, slots=True, kw_only=True)
class HitPicture:
    """The mean stroke of one drum in one mic, aligned at its own close mic's first arrival."""

    file: str
    drum: str
    rate_hz: int
    n_hits: int
    time_ms: FloatArray  # (n,) relative to the arrival at the own mic
    mean: FloatArray  # (n,) full scale 1.0, mean over hits scaled to the median strength
    low: FloatArray  # (n,) 10th percentile over hits
    high: FloatArray  # (n,) 90th percentile over hits
    spectrum_hz: FloatArray  # (m,)
    spectrum_dbfs: FloatArray  # (m,)


@dataclass(frozen=True, slots=True, kw_only=True)
class MomentPicture:
    """All mics around the first place of one finding."""

    code: str  # of the finding, which with its files names it
    finding_files: tuple[str, ...]
    time_s: float
    files: tuple[str, ...]  # the rows of `wave`
    start_ms: float  # of the picture, from time_s
    span_ms: float
    wave: FloatArray  # (n_files, n) full scale 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Pictures:
    """All pictures of one take."""

    channels: tuple[ChannelPicture, ...]
    hits: tuple[HitPicture, ...]
    moments: tuple[MomentPicture, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """A measured take: what is saved, and the pictures for its report."""

    measurements: Measurements
    pictures: Pictures

    @property
    def troubles(self) -> tuple[str, ...]:
        """What went wrong on the way: why stages could not finish."""
        return tuple(n.reason for n in self.measurements.not_checked if n.code == "stage")
