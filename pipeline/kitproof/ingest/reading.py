"""One file name, read: which drum or place it speaks of, and with which additions.

The last drum word of a name counts, because song titles stand in front ("Ride the Tide_KIK").
Additions are looked for behind the drum word first ("SN Top"), then directly before it ("Left OH").

Source: own choice, from how session files are named in practice.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from kitproof.ingest.words import Word

# Seen from the player of a right-handed kit, the hi-hat stands left and the ride right.
SIDE_OF_CYMBAL = {"hat": "left", "ride": "right"}
SIDE_OF_DRUM = {**SIDE_OF_CYMBAL, "snare": "left", "floor": "right"}  # of an overhead: "OH SN", "OH FT"
DISTANT = ("overhead", "underhead", "room")
LARGEST_ORDINAL = 5  # "Tom 5" counts drums; from 6 on a number beside a tom is its size in inches
LARGEST_SIZE_INCH = 24
SNARE_LETTERS = {"t": "top", "b": "bottom"}  # behind a snare: "SN T"
LONE_LETTERS = {"k": "kick", "s": "snare", "h": "hat"}  # when nothing else is written


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """What one name says. `drum` is "" when no drum word was found; see words.py for the values."""

    drum: str = ""
    place: str = ""
    side: str = ""
    rank: str = ""
    number: int | None = None  # 1..5, as in "Tom 2"
    size_inch: int | None = None  # as in "16 floor"
    is_rack: bool = False  # says "rack" outright
    side_from_cymbal: bool = False  # "hat side": left only from the player of a right-handed kit


def read_words(words: Sequence[Word]) -> Reading:
    """Read the words of one name; `Reading()` when they name no drum."""
    if {w.value for w in words if w.kind not in ("number", "skip")} == {"kick", "snare"}:
        return Reading(drum="snare", place="side")  # the mic between the two
    words = _merge(_letters(words))
    at = _main_word(words)
    if at is None:
        return _read_without_drum(words)
    drum = words[at].value
    behind, before = _behind(words, at), _before(words, at)
    around = (*behind, *before)
    number, size = _numbers(behind, before)
    side = _first(around, "side")
    from_cymbal = _first(around, "cymbal side") if drum in DISTANT and not side else ""
    place = _first(around, "place")
    if drum in ("overhead", "cymbal"):
        drum = "underhead" if place == "bottom" else "overhead"
    return Reading(
        drum=drum,
        place=place,
        side=side or from_cymbal,
        rank=_rank(around),
        number=number,
        size_inch=size,
        is_rack=words[at].text in ("rack", "racktom", "rtom", "rt"),
        side_from_cymbal=bool(from_cymbal),
    )


def says_only_additions(words: Sequence[Word]) -> bool:
    """True if the words name no drum and nothing unknown: "In", "L", "2", "T" (top), or nothing at all."""
    additions = ("place", "side", "rank", "skip", "number")
    return all(w.kind in additions or (w.kind == "" and w.text in SNARE_LETTERS) for w in _letters(words))


def _letters(words: Sequence[Word]) -> list[Word]:
    """Give single letters their meaning: "SN T", "T1", "RT1".

    The 3 in "t3" may also count takes, so a lone "t" with a number is only a weak tom.
    """
    out = list(words)
    for i, (word, after) in enumerate(zip(words, [*words[1:], Word("", "", "")], strict=False)):
        ordinal = after.kind == "number" and 1 <= int(after.text[:4]) <= LARGEST_ORDINAL
        if word.text in SNARE_LETTERS and _is_snare(out, i) and not after.glued:
            out[i] = replace(word, kind="place", value=SNARE_LETTERS[word.text])
        elif word.text == "t" and ordinal:
            out[i] = replace(word, kind="weak drum", value="tom")
        elif word.text == "rt" and ordinal and after.glued:
            out[i] = replace(word, kind="drum", value="tom")
    return out


def _is_snare(words: list[Word], before: int) -> bool:
    """True if the last word before index `before` that says something is the snare."""
    said = [w for w in words[:before] if w.kind != "skip"]
    return bool(said) and said[-1].value == "snare"


def _rank(words: Iterable[Word]) -> str:
    """ "1 hi" to "5 low"; "hi mid" and "low mid" lie between."""
    ranks = [w.value for w in words if w.kind == "rank"]
    if "3 mid" in ranks[:2] and len(ranks) > 1:
        return "2 hi-mid" if "1 hi" in ranks else "4 low-mid"
    return ranks[0] if ranks else ""


# neighbours that say one thing, of which the first is enough
_SECOND_IS_SPARE = {
    ("ride", "cymbal"), ("hat", "cymbal"), ("spot", "cymbal"), ("overhead", "cymbal"), ("underhead", "cymbal"),
    ("kick", "click"), ("floor", "tom"),
}  # fmt: skip


def _merge(words: list[Word]) -> list[Word]:
    """Join neighbours that say one thing: "floor tom", "ride cymbal", "OH hat side", "kick click"."""
    has_distant = any(w.kind == "drum" and w.value in (*DISTANT, "cymbal") for w in words)
    out: list[Word] = []
    for word in words:
        last = out[-1] if out and out[-1].kind == "drum" else Word("", "", "")
        pair = (last.value, word.value if word.kind == "drum" else "")
        if pair[0] in SIDE_OF_CYMBAL and word.value == "side" and has_distant:
            out[-1] = _as_side(last)
        elif pair[0] in DISTANT and pair[1] in (SIDE_OF_DRUM if _opens_with_overhead(out) else SIDE_OF_CYMBAL):
            out.append(_as_side(word))
        elif pair[0] in SIDE_OF_CYMBAL and pair[1] == "overhead":
            out[-1:] = [_as_side(last), word]
        elif pair in _SECOND_IS_SPARE or (word.value == "tom" and _is_floor_side(out)):
            continue
        elif pair[0] == "cymbal" and pair[1] in ("ride", "hat", "spot"):
            out[-1] = word
        elif pair[1] == "floor":
            out = _floor_takes_tom(out, word)
        else:
            out.append(word)
    return out


def _opens_with_overhead(out: list[Word]) -> bool:
    """True for "OH" and "03 overhead", but not for titles: "Uh Oh", "Game Over"."""
    said = [w for w in out if w.kind not in ("number", "skip")]
    return len(said) == 1 and said[0].value == "overhead" and said[0].text not in ("over", "overs")


def _as_side(drum: Word) -> Word:
    return replace(drum, kind="cymbal side", value=SIDE_OF_DRUM[drum.value])


def _is_floor_side(out: list[Word]) -> bool:
    """True behind the "OH Floor" of "OH Floor Tom"."""
    return bool(out) and (out[-1].kind, out[-1].value) == ("cymbal side", SIDE_OF_DRUM["floor"])


def _floor_takes_tom(out: list[Word], floor: Word) -> list[Word]:
    """ "Tom floor" and "Tom 3 floor": the floor tom, its number kept behind it."""
    if out and out[-1].value == "tom" and "drum" in out[-1].kind:
        return [*out[:-1], floor]
    if len(out) > 1 and out[-1].kind == "number" and out[-2].value == "tom" and "drum" in out[-2].kind:
        return [*out[:-2], floor, out[-1]]
    return [*out, floor]


def _main_word(words: list[Word]) -> int | None:
    """Index of the word that counts: no microphone at all > the last drum > the last weak drum."""
    strong = [i for i, w in enumerate(words) if w.kind == "drum"]
    weak = [i for i, w in enumerate(words) if w.kind == "weak drum"]
    if not strong and not weak:
        return None
    last = (strong or weak)[-1]
    names_no_mic = last > 0 and words[last - 1].value == "no-mic"  # "Trigger Kick"
    return last - 1 if names_no_mic else last


def _read_without_drum(words: list[Word]) -> Reading:
    """ "Under L" still says under-cymbal, the Japanese "top L" overhead, a lone "K" kick; else nothing is said."""
    side = _first(words, "side")
    if side in ("left", "right"):
        for drum, text in (("underhead", "under"), ("overhead", "トップ")):
            if any(w.text == text for w in words):
                return Reading(drum=drum, side=side)
    said = [w.text for w in words if w.kind != "number"]
    return Reading(drum=LONE_LETTERS.get(said[0], "")) if len(said) == 1 else Reading()


def _behind(words: list[Word], at: int) -> list[Word]:
    out: list[Word] = []
    for word in words[at + 1 :]:
        if "drum" in word.kind:
            break
        out.append(word)
    return out


def _before(words: list[Word], at: int) -> list[Word]:
    """Additions right before the drum word, nearest first; an unknown word ends them."""
    out: list[Word] = []
    for word in reversed(words[:at]):
        if word.kind == "" or "drum" in word.kind:
            break
        out.append(word)
    return out


def _first(words: Iterable[Word], kind: str) -> str:
    return next((w.value for w in words if w.kind == kind), "")


def _numbers(behind: list[Word], before: list[Word]) -> tuple[int | None, int | None]:
    """(ordinal, size in inches) of a drum; a number behind an unknown word belongs to that word.

    A zero-padded number of its own ("Tom_07") counts tracks or takes.
    """
    ordinal = size = None
    for word in behind:
        if word.kind == "":
            break
        is_counter = word.text.startswith("0") and not word.glued
        if word.kind != "number" or is_counter:
            continue
        value = int(word.text[:9])
        if 1 <= value <= LARGEST_ORDINAL:
            ordinal = ordinal or value
        elif value <= LARGEST_SIZE_INCH:
            size = size or value
    for word in before:
        if size is None and word.kind == "number" and LARGEST_ORDINAL < int(word.text[:9]) <= LARGEST_SIZE_INCH:
            size = int(word.text)
    return ordinal, size
