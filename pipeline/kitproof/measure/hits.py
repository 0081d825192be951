"""Hits: who was hit and when, from the onset tracks of all channels.

Steps:
1. candidates of every close mic (candidates.py);
2. admit the drums that were really hit, surest first, and learn how each reaches every close mic (admit.py);
3. explain all events by the admitted drums together (coupling.py) and keep the strokes that their own mic
   shows; those shortly after a louder one only if they are not its echo, which comes back at the same delay
   after every stroke (strokes.py);
4. what the overheads hear and no miked drum explains: drums and cymbals without a mic (unmiked.py).

Conventions: times in s from the start of the file, at the own mic; levels in dB of the energy of the
first 10 ms in the own mic.

Source
------
Own work. Tried before and dropped: peaks of each mic alone with a fixed bleed threshold (a bleed that
is louder than a soft stroke of its own is common in a hi-hat mic); full factorisation over all frames
(no better, fifty times slower); correlation of mics for the order of arrival; candidates 6 instead of 8 ms
apart (finds a snare just after the hats, but doubles more strokes than it finds).

Limits: a stroke 6 to 8 ms after the bleed of another drum into a silent mic is lost; a ride struck softly
over its own loud wash is found in nine cases of ten; hats that coincide with every kick and snare of a take
may be taken for their bleed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType

from kitproof.measure.admit import CYMBALS, admit_drums
from kitproof.measure.candidates import Powers, Rises, gather_candidates
from kitproof.measure.onsets import OnsetTrack
from kitproof.measure.strokes import Stroke, explain_strokes
from kitproof.measure.unmiked import find_unmiked

__all__ = ["Stroke", "find_hits"]


def find_hits(
    tracks: Mapping[str, OnsetTrack],
    own: Mapping[str, str],
    close: Sequence[str],
    far: Sequence[str],
    rises: Mapping[str, Rises] = MappingProxyType({}),
) -> tuple[Stroke, ...]:
    """Find all strokes of a take.

    Parameters
    ----------
    tracks : file -> OnsetTrack, all of the same rates; every file of `own`, `close` and `far`
    own : drum -> file of its own close mic
    close : files of all mics at a drum, own mics among them
    far : files of overheads and rooms, overheads first
    rises : file -> where its level rises, of the files where that is known already

    Returns
    -------
    Strokes in order of time; empty for silence.
    """
    files = [*close, *far]
    if not files or min(len(tracks[f].band_db) for f in files) < 64:
        return ()
    frames_per_s = tracks[files[0]].frames_per_s
    heard = {f: tracks[f] for f in files}
    powers = Powers(heard, rises)
    candidates = [
        gather_candidates(
            drum,
            file,
            heard,
            powers,
            cymbal=drum in CYMBALS,
            own_files=list(own.values()),
            far_files=frozenset(far),
        )
        for drum, file in own.items()
    ]
    # How many other mics must hear a stroke that speaks for its drum: none, where there is no other mic.
    need = min(3, max(1, (len(files) - 1) // 4), len(files) - 1)
    admitted, templates = admit_drums(candidates, close, powers, frames_per_s, need)
    strokes: list[Stroke] = []
    if admitted:
        strokes = explain_strokes(admitted, templates, close, powers, frames_per_s)
    if far:
        strokes += find_unmiked(strokes, heard, powers, far)
    return tuple(sorted(strokes, key=lambda s: (s.time_s, s.drum)))
