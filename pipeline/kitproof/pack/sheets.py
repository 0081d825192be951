"""The pack's tables, each as CSV for programs and as text for people.

Source: RFC 4180 (CRLF, a header line, quotes where needed); text in UTF-8.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from kitproof.model import Channel, Measurements, PairEntry
from kitproof.pack.spares import ENOUGH, STRENGTHS, Coverage
from kitproof.roles import drum_label

Cell = str | int | float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """Rows under named columns; None is an empty cell."""

    columns: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]

    def as_csv(self) -> bytes:
        """The table as RFC 4180 has it."""
        out = io.StringIO(newline="")
        writer = csv.writer(out)
        writer.writerow(self.columns)
        writer.writerows(["" if cell is None else cell for cell in row] for row in self.rows)
        return encoded(out.getvalue())

    def as_text(self, titles: Sequence[str] | None = None) -> str:
        """Columns one under the other, two blanks apart; numbers at the right."""
        lines = [list(titles or self.columns), *[["–" if cell is None else str(cell) for cell in r] for r in self.rows]]
        widths = [max(len(line[i]) for line in lines) for i in range(len(self.columns))]
        right = [any(isinstance(row[i], int | float) for row in self.rows) for i in range(len(self.columns))]
        return "".join(
            "  ".join(
                cell.rjust(width) if is_right else cell.ljust(width)
                for cell, width, is_right in zip(line, widths, right, strict=True)
            ).rstrip()
            + "\n"
            for line in lines
        )


def encoded(text: str) -> bytes:
    """UTF-8; a byte of a file's name that is no text becomes its escape."""
    return text.encode("utf-8", "backslashreplace")


# ---------------------------------------------------------------- recall sheet
RECALL = (
    "channel", "file", "role", "label", "mic", "preamp", "position", "to_own_drum_m", "to_snare_m", "note",
    "rate_hz", "bit_depth", "duration_s", "sample_peak_dbfs",
)  # fmt: skip


def recall_table(m: Measurements) -> Table:
    """One row per channel: what take.toml declares of it, and what its file is."""
    return Table(columns=RECALL, rows=tuple(_recall_row(i, c, m) for i, c in enumerate(m.take.channels, 1)))


def _recall_row(number: int, c: Channel, m: Measurements) -> tuple[Cell, ...]:
    facts = next((f for f in m.take.files if f.path == c.path), None)
    measures = next((x for x in m.channels if x.file == c.file), None)
    return (
        number, c.file, c.role, c.label, c.mic, c.preamp, c.position, c.to_own_drum_m, c.to_snare_m, c.note,
        facts.rate_hz if facts else None, facts.bit_depth if facts else None,
        _rounded(measures.duration_s if measures else None, 3),
        _rounded(measures.sample_peak_dbfs if measures else None, 1),
    )  # fmt: skip


def recall_text(m: Measurements) -> str:
    """The sheet as a list, channel by channel; what was not declared is left out."""
    take = m.take
    head = [
        ("song", take.song),
        ("take", take.number),
        ("tempo", take.tempo_bpm),
        ("beats per bar", take.beats_per_bar),
    ]
    head += [("temperature", f"{take.temperature_c:g} C" if take.temperature_declared else None)]
    lines = [f"Recall sheet: {take.name}", *(f"{name}: {value}" for name, value in head if value is not None)]
    lines += [f"section: {s.name}, from bar {s.bar}" for s in take.sections]
    for row in recall_table(m).rows:
        said = dict(zip(RECALL, row, strict=True))
        lines += ["", f"{said['channel']}. {said['label']} ({said['file']})"]
        units = {"to_own_drum_m": "to its drum, m", "to_snare_m": "to the snare, m"}
        lines += [
            f"   {units.get(key, key)}: {said[key]}" for key in RECALL[4:10] if said[key] is not None
        ]  # fmt: skip
    return "\n".join(lines) + "\n"


# ---------------------------------------------------------------- offsets and polarities
OFFSETS = (
    "drum", "own_mic", "channel", "label", "delay_ms", "delay_spread_ms", "delay_samples", "rate_hz", "path_cm",
    "polarity", "polarity_confidence", "fuller", "fuller_db", "n_hits", "not_measured",
)  # fmt: skip
OFFSET_TITLES = (
    "drum", "own mic", "channel", "called", "ms", "± ms", "samples", "Hz", "cm",
    "polarity", "sure", "fuller", "dB", "hits", "not measured",
)  # fmt: skip


def offset_table(m: Measurements) -> Table:
    """Every channel that hears a drum, against that drum's own mic; a delay is positive where it hears it later."""
    return Table(columns=OFFSETS, rows=tuple(_offset_rows(m)))


def _offset_rows(m: Measurements) -> Iterator[tuple[Cell, ...]]:
    rates = {c.file: c.rate_hz for c in m.channels}
    labels = {c.file: c.label for c in m.take.channels}
    own = {d.drum: d.file for d in m.drums}
    for p in m.pairs:
        if own.get(p.drum) not in (p.a, p.b):
            continue
        later = own[p.drum] == p.a  # else the entry is the other way round
        sign, other = (1.0, p.b) if later else (-1.0, p.a)
        delay, rate = _signed(p.delay_ms, sign), rates.get(other)
        samples = None if delay is None or rate is None else round(delay * rate / 1000.0, 1)
        yield (
            p.drum, own[p.drum], other, labels.get(other, other), _rounded(delay, 3), _rounded(p.delay_spread_ms, 3),
            samples, rate, _rounded(_signed(p.path_cm, sign), 1), p.polarity, _rounded(p.polarity_confidence, 2),
            p.fuller, _rounded(p.fuller_db, 1), p.n_hits, _reasons(p),
        )  # fmt: skip


def _signed(value: float | None, sign: float) -> float | None:
    return None if value is None else sign * value


def _reasons(p: PairEntry) -> str | None:
    """Why a delay or a polarity is not there, each reason once."""
    return "; ".join(dict.fromkeys(p.unmeasured[key] for key in sorted(p.unmeasured))) or None


# ---------------------------------------------------------------- spare hits
SPARES = ("drum", "strength", "time_s", "bar", "beat", "strength_db", "peak_dbfs", "alone_s", "file")


def spare_table(covered: Sequence[Coverage]) -> Table:
    """Every clean stroke, by drum, then time."""
    rows = tuple(
        (h.drum, h.strength, round(h.time_s, 4), h.bar, h.beat, round(h.strength_db, 1), _rounded(h.peak_dbfs, 1),
         round(h.ring_s, 2), h.file)
        for c in covered
        for h in c.hits
    )  # fmt: skip
    return Table(columns=SPARES, rows=rows)


def spare_text(covered: Sequence[Coverage]) -> str:
    """How many clean strokes each drum has, of which strength, and where they are."""
    counts = Table(
        columns=("drum", "strokes", "clean", *STRENGTHS, "free for"),
        rows=tuple(
            (drum_label(c.drum), c.n_hits, len(c.hits), *(c.count(s) for s in STRENGTHS), f"{c.ring_s:.2f} s")
            for c in covered
        ),
    )
    parts = ["Spare hits: strokes that stand alone and are not clipped\n", counts.as_text(), few(covered) + "\n"]
    for c in (c for c in covered if c.hits):
        parts.append(f"{drum_label(c.drum)}\n" + "".join(f"   {_spare_line(h)}\n" for h in spare_table([c]).rows))
    return "\n".join(parts)


def few(covered: Sequence[Coverage]) -> str:
    """Which drums lack clean strokes, in a sentence."""
    if not any(c.n_hits for c in covered):
        return "No stroke of a drum with a mic of its own was found."
    short = [drum_label(c.drum) for c in covered if not c.enough]
    if short:
        return f"Fewer than {ENOUGH} clean strokes: {', '.join(short)}."
    return f"Every drum has {ENOUGH} clean strokes or more."


def _spare_line(row: tuple[Cell, ...]) -> str:
    said = dict(zip(SPARES, row, strict=True))
    place = "" if said["bar"] is None else f", bar {said['bar']}, beat {said['beat']}"
    return f"{said['time_s']:8.3f} s{place}: {said['strength']}"


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits) + 0.0  # no negative zero
