"""Which take, and which take for which stretch: by what stands against it. Feel is not judged; ties stay ties."""

from __future__ import annotations

from collections.abc import Sequence

from kitproof.compare.align import Reading
from kitproof.comparison import BarReason, Block, Rank, TakeBars
from kitproof.model import Section

DAMAGE = ("clipping", "dropout", "skip")
LONG_SONG_BARS = 24  # from here on, blocks of eight bars instead of four
BLOCK_BARS = (4, 8)


def ranks(readings: Sequence[Reading]) -> tuple[Rank, ...]:
    """What stands against every take: things to fix, then damaged places, then things to look at.

    Takes with the same three figures are a tie. A take that nobody could judge is not ranked. Source: own choice,
    most costly first.
    """
    rows = []
    for n, r in enumerate(readings, 1):
        m = r.measurements
        fix, look = (sum(f.severity == s for f in m.findings) for s in ("fix", "look"))
        damaged = sum(
            max(f.n_times, len(f.times_s)) for f in m.findings if f.code in DAMAGE and f.severity != "note"
        )  # fmt: skip
        rows.append((n, fix, damaged, look, m.verdict.word != "unknown"))
    best = min((row[1:4] for row in rows if row[4]), default=None)
    return tuple(
        Rank(take=n, n_fix=fix, n_damaged=damaged, n_look=look, judged=judged,
             best=judged and (fix, damaged, look) == best)
        for n, fix, damaged, look, judged in rows
    )  # fmt: skip


def comp(
    bars: Sequence[TakeBars], reasons: Sequence[BarReason], sections: Sequence[Section]
) -> tuple[Block, ...]:  # fmt: skip
    """For every stretch the takes with the fewest marked bars; nothing where fewer than two takes have bars."""
    last = {b.take: b.last_bar for b in bars if b.last_bar is not None}
    if len(last) < 2:
        return ()
    end = max(last.values())
    marked = {(x.take, x.bar) for x in reasons}
    blocks = []
    for name, first, until in _stretches(sections, end):
        counts = tuple(
            sum((b.take, bar) in marked for bar in range(first, until + 1)) if last.get(b.take, 0) >= until else None
            for b in bars
        )
        known = [c for c in counts if c is not None]
        if known:
            best = tuple(b.take for b, c in zip(bars, counts, strict=True) if c is not None and c == min(known))
            blocks.append(Block(name=name, first_bar=first, last_bar=until, n_marked=counts, takes=best))
    return tuple(blocks)


def _stretches(sections: Sequence[Section], end: int) -> list[tuple[str, int, int]]:
    """(name, first bar, last bar): the declared sections, else blocks."""
    starts = [(s.name, max(s.bar, 1)) for s in sections if s.bar <= end]
    if not starts:
        size = BLOCK_BARS[end >= LONG_SONG_BARS]
        starts = [("", bar) for bar in range(1, end + 1, size)]
    elif starts[0][1] > 1:
        starts.insert(0, ("", 1))
    lasts = [bar - 1 for _, bar in starts[1:]] + [end]
    return [(name, first, until) for (name, first), until in zip(starts, lasts, strict=True) if until >= first]
