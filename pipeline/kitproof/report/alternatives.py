"""What is read in place of a figure by those who do not see it: what it shows of this take, with its main figures."""

from __future__ import annotations

from collections.abc import Sequence

from kitproof.model import Channel, ChannelMeasures, Hit, HitPicture, MomentPicture
from kitproof.observed.instrument import DrumRing
from kitproof.observed.plan import KitPlan
from kitproof.report import numbers
from kitproof.report.context import Context, RankedFinding

MOST_FINDINGS = 6
MOST_NAMES = 24


def strip(ctx: Context) -> str:
    """The take at a glance: strokes a drum, findings with their times."""
    struck = [f"{ctx.drum(drum)} ({numbers.grouped(len(hits))})" for drum, hits in ctx.hits_by_drum.items()]
    drums = ctx.listing(struck, MOST_NAMES) or ctx.words.count("common.hits", 0)
    said = ctx.words("alt.strip", length=numbers.length(ctx.duration_s), drums=drums)
    return _with_findings(ctx, said, ctx.findings)


def overview(ctx: Context, channels: Sequence[Channel]) -> str:
    """Rows of channels over the take."""
    labels = [ctx.label(c.file) for c in channels]
    files = {c.file for c in channels}
    found = [r for r in ctx.findings if files & set(r.finding.files)]
    return _with_findings(ctx, ctx.words("alt.overview", channels=ctx.listing(labels, MOST_NAMES)), found)


def wave(ctx: Context, channel: Channel) -> str:
    """The wave of one channel with its own drum's strokes and its findings."""
    label, length = ctx.label(channel.file), numbers.length(ctx.duration_s)
    struck = ctx.hits_by_drum.get(ctx.drum_of(channel) or "")
    if struck:
        hits = ctx.words.count("common.hits", len(struck))
        said = ctx.words("alt.wave", label=label, length=length, hits=hits)
    else:
        said = ctx.words("alt.wave_far", label=label, length=length)
    return _with_findings(ctx, said, ctx.findings_of(channel.file))


def sonogram(ctx: Context, channel: Channel, pitches: Sequence[str]) -> str:
    """The spectrogram of one channel, and the drums' pitches that are marked on it."""
    said = ctx.words("alt.sonogram", label=ctx.label(channel.file), length=numbers.length(ctx.duration_s))
    if not pitches:
        return said
    return ctx.words.sentences(said, ctx.words("alt.pitches", pitches=ctx.listing(pitches, MOST_NAMES)))


def stroke(ctx: Context, hit: HitPicture) -> str:
    """The mean stroke."""
    peak = max((abs(float(v)) for line in (hit.low, hit.mean, hit.high) for v in (line.min(), line.max())), default=0.0)
    return ctx.words(
        "alt.stroke", label=ctx.label(hit.file), drum=ctx.drum(hit.drum), n=numbers.grouped(hit.n_hits),
        peak=numbers.fixed(peak, 3), start=numbers.fixed(float(hit.time_ms[0]), 0),
        end=numbers.fixed(float(hit.time_ms[-1]), 0),
    )  # fmt: skip


def spectra(ctx: Context, channel: Channel, curves: Sequence[str], ring_hz: float | None) -> str:
    """Levels over frequency of one channel, curve by curve, and where the drum's ring settles."""
    said = ctx.words("alt.spectra", label=ctx.label(channel.file), curves=ctx.listing(curves, MOST_NAMES))
    if ring_hz is None:
        return said
    return ctx.words.sentences(said, ctx.words("alt.spectrum_ring", hz=numbers.hertz(ring_hz)))


def ring(ctx: Context, one: DrumRing, fall: str) -> str:
    """How the ring of a drum falls; fall : how long it takes, or that this is not known."""
    hz = numbers.hertz(one.late_hz or 0.0)
    return ctx.words("alt.ring", label=ctx.label(one.file), drum=ctx.drum(one.drum), hz=hz, fall=fall)


def histogram(ctx: Context, channel: Channel, hits: Sequence[Hit]) -> str:
    """How hard the strokes were."""
    peaks = [h.peak_dbfs for h in hits if h.peak_dbfs is not None]
    if not peaks:
        return ctx.words("channels.levels")
    return ctx.words(
        "alt.histogram", label=ctx.label(channel.file), hits=ctx.words.count("common.hits", len(hits)),
        low=numbers.fixed(min(peaks), 0), high=numbers.fixed(max(peaks), 0),
    )  # fmt: skip


def ranges(ctx: Context, measures: Sequence[ChannelMeasures]) -> str:
    """The bars from noise floor to peak."""
    return ctx.words("alt.ranges", channels=ctx.listing([ctx.label(m.file) for m in measures], MOST_NAMES))


def moment(ctx: Context, one: MomentPicture) -> str:
    """All mics around a finding."""
    return ctx.words(
        "alt.moment", channels=ctx.words.count("common.channels", len(one.files)), when=ctx.when(one.time_s),
        start=numbers.fixed(one.start_ms, 0), end=numbers.fixed(one.start_ms + one.span_ms, 0),
        where=ctx.listing([ctx.label(f) for f in one.finding_files], 3) or ctx.words("common.whole_take"),
    )  # fmt: skip


def plan(ctx: Context, one: KitPlan) -> str:
    """Who and what stands on the plan."""
    drums = [ctx.drum(p.name) for p in one.places if p.kind == "drum"]
    mics = [ctx.label(p.name) for p in one.places if p.kind == "mic"]
    named = [ctx.listing(names, MOST_NAMES) or "\u2013" for names in (drums, mics)]
    return ctx.words("alt.plan", drums=named[0], mics=named[1])


def rows(ctx: Context, key: str, named: Sequence[tuple[str, str]]) -> str:
    """A figure of one row a name, from what stands beside its rows; key : its sentence, with {rows}."""
    return ctx.words(key, rows=ctx.words("common.semicolon").join(f"{name} ({value})" for name, value in named))


def _with_findings(ctx: Context, said: str, found: Sequence[RankedFinding]) -> str:
    """The sentence, then which findings stand in the figure, and where."""
    timed = [
        ctx.words("alt.finding", number=r.number, time=numbers.clock(r.finding.times_s[0]))
        for r in found
        if r.finding.times_s
    ]
    if not timed:
        return said
    return ctx.words.sentences(said, ctx.words("alt.findings", items=ctx.listing(timed, MOST_FINDINGS)))
