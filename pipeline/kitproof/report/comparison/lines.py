"""What changed, in plain words with one thing to do, most telling first."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from kitproof.comparison import Change, Move, Switch
from kitproof.report import numbers
from kitproof.report.comparison.takes import DECIMALS, Takes, minus
from kitproof.report.typeset import upper_first

# kind of change -> sentence when the figure rose, sentence when it fell; in the order in which they are told
SENTENCES: dict[str, tuple[str, str]] = {
    "all-levels": ("compare.line_all_up", "compare.line_all_down"),
    "closeness": ("compare.line_close_more", "compare.line_close_less"),
    "gain": ("compare.line_gain_up", "compare.line_gain_down"),
    "pitch": ("compare.line_pitch_up", "compare.line_pitch_down"),
    "wires": ("compare.line_wires_more", "compare.line_wires_fewer"),
    "hat-closing": ("compare.line_hat_open", "compare.line_hat_closed"),
    "tempo": ("compare.line_tempo_faster", "compare.line_tempo_slower"),
    "strength": ("compare.line_struck_harder", "compare.line_struck_softer"),
    "hum": ("compare.line_hum_more", "compare.line_hum_less"),
    "noise": ("compare.line_noise_more", "compare.line_noise_less"),
    "click-bleed": ("compare.line_click_more", "compare.line_click_less"),
    "tone": ("compare.line_tone_bright", "compare.line_tone_dull"),
    "decay": ("compare.line_decay_longer", "compare.line_decay_shorter"),
    "attack": ("compare.line_attack_slower", "compare.line_attack_faster"),
    "crest": ("compare.line_crest_more", "compare.line_crest_less"),
    "bleed": ("compare.line_bleed_more", "compare.line_bleed_less"),
}
SWITCHED = {
    "polarity": "compare.line_polarity", "role": "compare.line_role", "format": "compare.line_format",
    "channel-gone": "compare.line_gone", "channel-new": "compare.line_new",
}  # fmt: skip


@dataclass(frozen=True)
class Line:
    """One thing that changed: in which take, the sentence, and what it is sorted by."""

    take: int
    text: str
    rank: tuple[int, float]


def lines(takes: Takes) -> list[Line]:
    """Everything that is called changed, most telling first."""
    c = takes.comparison
    found = [_switch(takes, s) for s in c.switches]
    found += [_move(takes, m) for m in c.moves if m.word == "changed"]
    hums = {(s.take, s.file) for s in c.switches if s.kind == "hum"}  # which is the noise that changed, too
    changed = [x for x in c.changes if x.word == "changed" and not (x.kind == "noise" and (x.take, x.file) in hums)]
    found += list(_changes(takes, changed))
    return sorted(found, key=lambda line: (line.rank, line.take, line.text))


def _switch(takes: Takes, s: Switch) -> Line:
    key = SWITCHED.get(s.kind) or ("compare.line_hum_went" if s.before else "compare.line_hum_came")
    text = takes.words(
        key, channel=takes.label(s.file, s.take), ref=takes.ref, before=minus(s.before), after=minus(s.after)
    )  # fmt: skip
    return Line(s.take, upper_first(text), (9 if s.kind == "hum" else 0, 0.0))


def _move(takes: Takes, m: Move) -> Line:
    delay, path = m.delay_ms or 0.0, m.path_cm or 0.0
    if m.what == "mic":
        key = "compare.line_mic_further" if delay > 0.0 else "compare.line_mic_nearer"
    else:
        key = "compare.line_drum_later" if delay > 0.0 else "compare.line_drum_sooner"
    text = takes.words(
        key, channel=takes.label(m.file or ""), drum=takes.drum(m.drum), cm=numbers.fixed(abs(path), 0),
        ms=numbers.fixed(abs(delay), 2), ref=takes.ref,
    )  # fmt: skip
    return Line(m.take, upper_first(text), (1, -abs(delay) / m.limit_ms))


def _changes(takes: Takes, changed: list[Change]) -> Iterator[Line]:
    order = list(SENTENCES)
    for c in changed:
        value = c.value or 0.0
        text = takes.words(
            SENTENCES[c.kind][value < 0.0], channel=takes.label(c.file or "", c.take), drum=takes.drum(c.drum),
            value=numbers.fixed(abs(value), DECIMALS.get(c.kind, 1)), ref=takes.ref,
        )  # fmt: skip
        yield Line(c.take, upper_first(text), (2 + order.index(c.kind), -abs(value) / c.limit))
