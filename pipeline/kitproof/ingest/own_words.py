"""What is a name's own: the words left when those that all names of a folder share are taken away.

Song titles and take numbers stand in every name of a take and may contain drum words ("Ride the
Tide", "Room 5"); they end at the first word in which the names differ.

Source: own choice; the limits are beside the code.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from kitproof.ingest.reading import says_only_additions
from kitproof.ingest.words import Word

Words = tuple[Word, ...]

# Drum words shared by all names are a title only if there are so many names that they can't be one drum's mics.
ENOUGH_NAMES_FOR_A_TITLE = 4
FEWEST_SHARING = 3  # a title that not all names share: at least three of them, and half
_ROUNDS = 4  # number, title, take, date: no name has more layers


def own_words(names: Sequence[Words]) -> list[Words]:
    """Each name's own words; the whole name where only additions ("In", "L", "2") would be left."""
    own = list(names)
    for _ in range(_ROUNDS):
        before = list(own)
        own = _without_counter(_without_counter(own, 0), -1)
        own = _without_shared_start(own)
        own = _reversed(_without_shared_start(_reversed(own), from_end=True))
        if own == before:
            break
    return [whole if says_only_additions(part) else part for whole, part in zip(names, own, strict=True)]


def _reversed(names: Sequence[Words]) -> list[Words]:
    return [words[::-1] for words in names]


def _key(words: Words, any_number: bool) -> tuple[str, ...]:
    return tuple("#" if any_number and w.kind == "number" else w.text for w in words)


def _without_shared_start(names: list[Words], from_end: bool = False) -> list[Words]:
    """Take the start that most names share away from those; numbers count as equal in front of a name only."""
    starts: Counter[tuple[str, ...]] = Counter()
    example: dict[tuple[str, ...], Words] = {}
    for words in names:
        for length in range(1, len(words) + 1):
            key = _key(words[:length], any_number=not from_end)
            starts[key] += 1
            example[key] = words[:length]
    usable = [k for k, n in starts.items() if _is_title(example[k], n, len(names), from_end)]
    if not usable:
        return names
    best = max(usable, key=lambda k: (starts[k], len(k)))
    return [w[len(best) :] if _key(w[: len(best)], any_number=not from_end) == best else w for w in names]


def _is_title(words: Words, sharing: int, n_names: int, from_end: bool) -> bool:
    """Can these words, which `sharing` of `n_names` names have at that end, be a title, take or date?"""
    has_unknown = any(w.kind == "" and len(w.text) > 1 for w in words)
    if sharing < n_names:
        return has_unknown and sharing >= FEWEST_SHARING and 2 * sharing >= n_names
    is_take_number = sorted("#" if w.kind == "number" else w.text for w in words) == ["#", "t"]  # "t3"
    may_be_vocabulary = not from_end and n_names >= ENOUGH_NAMES_FOR_A_TITLE and any(w.kind != "number" for w in words)
    return n_names > 1 and (has_unknown or is_take_number or may_be_vocabulary)


def _without_counter(names: list[Words], at: int) -> list[Words]:
    """Take a track or take number off the start (at = 0) or end (at = -1), if all names have one."""
    numbers = [words[at] for words in names if words]
    if not len(names) == len(numbers) > 1 or any(w.kind != "number" or w.glued for w in numbers):
        return names
    values = sorted(int(w.text[:9]) for w in numbers)
    padded = any(w.text.startswith("0") for w in numbers)
    one_after_another = len(names) >= FEWEST_SHARING and values == list(range(values[0], values[0] + len(values)))
    if not (padded or one_after_another or values[0] == values[-1]):
        return names  # sizes, or numbers of drums
    return [words[1:] if at == 0 else words[:-1] for words in names]
