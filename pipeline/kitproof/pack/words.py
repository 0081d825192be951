"""README.txt: what each file of the pack is, in plain words."""

from __future__ import annotations

import textwrap
from functools import partial

from kitproof.model import Measurements
from kitproof.pack.guide import PEAK_DBTP, Guide, strip_words
from kitproof.pack.midi import TempoMap
from kitproof.pack.sheets import Table, few
from kitproof.pack.spares import Coverage

WIDTH = 96
_fill = partial(textwrap.fill, width=WIDTH, break_on_hyphens=False, break_long_words=False)


def readme(
    m: Measurements, guide: Guide | None, tempo: TempoMap | None, covered: tuple[Coverage, ...], names: tuple[str, ...]
) -> str:
    """The text of README.txt.

    names : the files of the pack that have a paragraph here
    """
    paragraphs = {
        "report.pdf": "What was measured: the verdict on page 1, then the evidence. report-small.pdf is the same with "
        "coarser pictures, for mail. report-phone.pdf has the verdict, the page for the band and the findings on pages "
        "as narrow as a phone.",
        "recall-sheet.csv": "Input list and recall sheet: microphone, preamp, position, distances and notes of every "
        "channel, as declared in take.toml. recall-sheet.txt is the same to read.",
        "offsets-and-polarity.csv": "When each channel hears each drum, against the drum's own mic: milliseconds "
        "(positive: later) with their standard error, samples at the file's rate, centimetres at "
        f"{m.take.temperature_c:g} C, polarity of the first motion, and which way the sum of the two is fuller. The "
        "files are as they were recorded: nothing has been moved or turned over. offsets-and-polarity.txt is the same "
        "to read.",
        "spare-hits.csv": _spares(covered),
        "tempo-map.mid": _tempo(tempo),
        "guide.wav": _guide(guide),
        "SHA256SUMS": "Checksums of the files in this pack: run «sha256sum -c SHA256SUMS» in its folder. "
        "originals.sha256 has those of the recorded files: run «sha256sum -c» with it in the take's folder. "
        "manifest.json holds both, with sizes.",
    }
    parts = [f"{m.take.name}\n{'=' * len(m.take.name)}", _fill(m.verdict.sentence)]
    for name, text in paragraphs.items():
        head = name if name in names else f"{name} (not in this pack)"
        parts.append(f"{head}\n{_fill(text, initial_indent='    ', subsequent_indent='    ')}")
    if guide is not None:
        parts.append("How the guide is mixed\n" + _mix(guide))
    return "\n\n".join(parts) + "\n"


def _spares(covered: tuple[Coverage, ...]) -> str:
    return (
        "Strokes to mend or double others with: not clipped, no other stroke from 250 ms before them to the end of "
        "their ring. Soft, medium and hard are thirds of the drum's strokes. spare-hits.txt counts them and is for "
        f"reading. {few(covered)} A cymbal struck at the same instant may have gone unnoticed: listen before you use "
        "one."
    )


def _tempo(tempo: TempoMap | None) -> str:
    if tempo is None:
        return "No pulse stands out of this take, so there is no tempo map."
    lead = f" {tempo.n_lead_beats} beats lie before the first beat that was measured." if tempo.n_lead_beats else ""
    bars = (
        " A marker stands at every bar and section of the song; bars of your session may be counted from another one."
        if tempo.first_bar_tick is not None
        else " Where bars begin is not known."
    )
    return (
        "The tempo map as a Standard MIDI File. Import it at the start of the session, with all files at the same "
        f"place. A beat is written as a quarter note.{lead}{bars}"
    )


def _guide(guide: Guide | None) -> str:
    if guide is None:
        return "No channel could be mixed, so there is no guide."
    small = f"{guide.small} is a small copy to listen to. "
    if guide.small_delay:
        small += f"Decoded, it comes {guide.small_delay} samples later than guide.wav. "
    elif guide.small.endswith(".mp3"):
        small += (
            "Decoded by a program that heeds the file's own note of its lead, it starts with guide.wav to the sample; "
            "another program may be up to 30 ms late, so record to guide.wav. "
        )
    return (
        f"A rough stereo mix of the kit, 24 bits, for playing to; true peak {guide.true_peak_dbtp:.1f} dBTP. It starts "
        f"with the recorded files, sample by sample. {small}It is no opinion on how the drums should sound."
    )


def _mix(guide: Guide) -> str:
    rules = (
        "A close mic is set by how loud its drum's strokes are in it: kick, snare and toms alike, hi-hat 14 dB and "
        "ride 12 dB under them, a second mic at a drum 6 dB, snare bottom 8 dB. Overheads are set by the snare, 6 dB "
        "under its own mic, room mics 14 dB. Kick and snare stand in the middle, overheads and rooms fully left and "
        "right, other drums where the overheads hear them. A second mic is turned over where the two are fuller that "
        f"way. One gain for all sets the true peak to {PEAK_DBTP:.0f} dBTP. No equaliser, no compressor, no delays."
    )
    table = Table(columns=("channel", "gain", "side", ""), rows=tuple(strip_words(guide.plan.strips)))
    text = _fill(rules, initial_indent="    ", subsequent_indent="    ") + "\n\n"
    text += "".join(f"    {line}\n" for line in table.as_text().splitlines())
    if guide.plan.left_out:
        text += "\n" + "".join(f"    Left out: {label}: {why}.\n" for label, why in guide.plan.left_out)
    return text.rstrip()
