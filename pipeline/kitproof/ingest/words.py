"""The words people write on drum microphones, and how a file name falls apart into them.

Conventions: words are lower case without accents (voiced kana keep their marks). A `Word` has a kind:
"drum" (what the microphone is there for), "place" (top, in, ...), "side" (left, right, mono), "rank" (hi, mid,
low), "skip" (says nothing: "mic"), "number", or "" for a word that is not known: a song title, say.

Source: own collection of spellings met in practice; English first, the commonest German, Spanish,
French, Portuguese, Italian and Japanese words beside it.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

AUDIO_SUFFIXES = (".wav", ".wave", ".bwf", ".rf64", ".bw64", ".aif", ".aiff", ".aifc", ".flac")


@dataclass(frozen=True, slots=True)
class Word:
    """One piece of a file name: as written (folded), what kind it is, and what it means."""

    text: str
    kind: str
    value: str
    glued: bool = False  # no separator before it: the 1 in "T1"


def _table(kind: str, rows: dict[str, str]) -> dict[str, tuple[str, str]]:
    return {spelling: (kind, value) for value, spellings in rows.items() for spelling in spellings.split()}


VOCABULARY: dict[str, tuple[str, str]] = {
    **_table("drum", {
        "kick": "kick kik kck kic kk bd bdr bdrum bassdrum basedrum kdrum kickdrum kd basstrommel fusstrommel "
                "bombo bumbo cassa grancassa gc grossecaisse"
                " キック バスドラ バスドラム ベードラ",
        "snare": "snare snr sn sd sna snar sdrum snaredrum caja caixa tarola redoblante rullante cc "
                 "caisseclaire"
                " スネア スネアー スネアドラム",
        "hat": "hat hats hh hhat hihat hihats highhat charles charley charleston chimbal contratempo contratiempo"
                " ハイハット ハット",
        "tom": "tom tm tomtom rack racktom rtom haengetom hangetom"
                " タム タムタム ラックタム",
        "floor": "floor ft flt flr flrt floortom ftom flrtom fltom standtom surdo goliat timpano "
                 "tombasse tombase"
                " フロア フロアー フロアタム",
        "ride": "ride rd rde"
                " ライド",
        "cymbal": "cym cyms cymb cymbal cymbals becken plato platos prato pratos piatti cymbale cymbales"
                " シンバル",
        "overhead": "oh ohs ovh ovhd ovhs ovhds ohd ohds overh over overs overhead overheads "
                    "aereo aereos aerien aeriens panoramico panoramici"
                " オーバーヘッド",
        "underhead": "uh uhs uc ucs undercym undercyms undercymb undercymbal undercymbals underhead underheads unders"
                " アンダーヘッド",
        "room": "room rooms rm rms amb ambs ambi ambience ambiance ambient ambients ambiente ambientes raum sala salle"
                " ルーム アンビエンス アンビエント アンビ",
        "click": "click clk clik klick clicktrack clicktrk metronome metronom metronomo metro"
                " クリック メトロノーム",
        "talkback": "talkback tb tbk tback talkbk"
                " トークバック",
        "spot": "crash china splash cowbell tamb tambourine shaker perc percussion conga congas bongo bongos "
                "clap claps"
                " クラッシュ チャイナ スプラッシュ カウベル タンバリン",
        "no-mic": "trig trigs trigger triggers trg sample samples smp smpl midi bus buss group grp mix mixdown submix "
                  "rough guide reference scratch verb reverb plate fx parallel master print toms "
                  "roomtone"
                " トリガー サンプル ミックス",
    }),
    **_table("place", {
        "top": "top tp up upper oben arriba dessus haut sopra cima superior"
                " トップ 表 上",
        "bottom": "bottom down dn btm bot bott botm bttm btom under below lower unten abajo dessous sotto "
                  "baixo inferior wires"
                " ボトム 裏 下",
        "side": "side shell kessel seite lado",
        "in": "in inn inside inner interior internal innen dentro"
                " int イン 内",
        "out": "out outside outer ext exterior external aussen fuera front port hole"
                " アウト 外 フロント",
        "reso": "reso resonant",
        "sub": "sub",
        "back": "back batter beater",
        "near": "near close",
        "far": "far",
    }),
    **_table("side", {
        "left": "l left lft li links izq izquierda izquierdo gauche esq esquerda esquerdo sx sinistra sl"
                " 左 レフト",
        "right": "r right rgt rt re rechts der derecha derecho droite dir direita direito dx destra sr"
                " 右 ライト",
        "mono": "mono m c centre center ctr mitte"
                " モノ",
    }),
    **_table("rank", {
        "1 hi": "hi high hoch alto aigu small"
                " ハイ",
        "3 mid": "mid middle med medium mittel medio"
                " ミッド ミドル",
        "5 low": "low lo tief bajo grave big large"
                " ロー",
    }),
    **_table("skip", {"": "mic mics mike drum drums kit trk track dry raw stereo spot de of the inch"}),
}  # fmt: skip

# several words, or one word that stands for several
_COMPOUNDS: dict[tuple[str, ...], tuple[str, ...]] = {
    ("kin",): ("kick", "in"), ("ki",): ("kick", "in"), ("kout",): ("kick", "out"), ("ko",): ("kick", "out"),
    ("snt",): ("snare", "top"), ("sdt",): ("snare", "top"), ("snb",): ("snare", "bottom"),
    ("sdb",): ("snare", "bottom"),
    ("ht",): ("hi", "tom"), ("mt",): ("mid", "tom"), ("lt",): ("low", "tom"),
    ("loh",): ("overhead", "left"), ("roh",): ("overhead", "right"),
    ("bass", "drum"): ("kick",), ("bass", "trommel"): ("kick",), ("grosse", "trommel"): ("kick",),
    ("grosse", "caisse"): ("kick",), ("gran", "cassa"): ("kick",), ("k", "drum"): ("kick",), ("b", "drum"): ("kick",),
    ("k", "in"): ("kick", "in"), ("k", "out"): ("kick", "out"),
    ("caisse", "claire"): ("snare",), ("kleine", "trommel"): ("snare",), ("s", "drum"): ("snare",),
    ("s", "top"): ("snare", "top"), ("s", "btm"): ("snare", "bottom"), ("s", "bottom"): ("snare", "bottom"),
    ("hi", "hat"): ("hat",), ("high", "hat"): ("hat",), ("hi", "hats"): ("hat",), ("high", "hats"): ("hat",),
    ("stand", "tom"): ("floor",), ("tom", "base"): ("floor",), ("tom", "basse"): ("floor",),
    ("tom", "piso"): ("floor",),
    ("tom", "de", "piso"): ("floor",), ("timbal", "base"): ("floor",), ("tom", "bas"): ("floor",),
    ("prato", "de", "conducao"): ("ride",), ("over", "head"): ("overhead",), ("over", "heads"): ("overhead",),
    ("under", "head"): ("underhead",), ("under", "heads"): ("underhead",),
    ("crotch",): ("snare", "side"),
    ("room", "tone"): ("roomtone",), ("talk", "back"): ("talkback",), ("click", "track"): ("click",),
    ("click", "trk"): ("click",),
}  # fmt: skip

_NUMBER_WORDS = {"one": "1", "two": "2", "three": "3", "four": "4"}
_LONGEST_COMPOUND = max(map(len, _COMPOUNDS))
# one-letter spellings mean something only as the end of a longer word: "OHL"
_SIDE_LETTERS = ("l", "r")
_VOICED_KANA = "\u3099\u309a"  # no accents: they tell "ride" from "right"


def fold(text: str) -> str:
    """Lower case, no accents, sharp s as ss: what two spellings of one word have in common."""
    decomposed = unicodedata.normalize("NFKD", text).casefold()
    kept = "".join(c for c in decomposed if c in _VOICED_KANA or not unicodedata.combining(c))
    return unicodedata.normalize("NFC", kept)


def without_suffix(name: str) -> str:
    """The name without its audio suffix; other dots ("OH.L") stay."""
    return name[: -len(Path(name).suffix)] if Path(name).suffix.lower() in AUDIO_SUFFIXES else name


@lru_cache(maxsize=4096)
def segment(word: str) -> tuple[str, ...] | None:
    """Cut a word into known words without a remainder, fewest pieces first: "subkick", "ohl", "snaretop".

    At most three pieces, at least one of them a drum; a drum of two Latin letters only in front, so that
    song words ("loft") do not fall apart by accident; one letter alone is a word in Japanese and at the end
    of "OHL". None if that cannot be done.
    """
    if word in VOCABULARY and len(word) > 1:
        return (word,)
    pieces = [p for p in _covers(word, 3) if any(VOCABULARY[x][0] == "drum" for x in p)]
    return min(pieces, key=len, default=None)


def _covers(word: str, at_most: int, first: bool = True) -> list[tuple[str, ...]]:
    if not word:
        return [()]
    if at_most == 0:
        return []
    found: list[tuple[str, ...]] = []
    for end in range(1, len(word) + 1):
        head, tail = word[:end], word[end:]
        known = VOCABULARY.get(head)
        if known is None:
            continue
        if head.isascii() and end == 1 and not (head in _SIDE_LETTERS and not tail and not first):
            continue
        if head.isascii() and end == 2 and known[0] == "drum" and not first:
            continue
        found += [(head, *rest) for rest in _covers(tail, at_most - 1, first=False)]
    return found


_JAPANESE = "\u3005\u3040-\u30fa\u30fc-\u30ff\u4e00-\u9fff"  # kana and the common ideographs, not the dot between words
_PIECE = re.compile(rf"\d+|[{_JAPANESE}]+|(?:(?![{_JAPANESE}])[^\W\d_])+")
_CAMEL = re.compile(r"(?<=[a-z])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z]{2})")


def _spellings(name: str) -> list[tuple[str, bool]]:
    """(folded piece, glued to the one before): runs of letters and of digits, cut further where known."""
    out: list[tuple[str, bool]] = []
    last_end = -1
    for match in _PIECE.finditer(unicodedata.normalize("NFC", name)):
        glued, last_end = match.start() == last_end, match.end()
        whole = match.group()
        cut = segment(fold(whole))
        if cut is None and (fold(whole),) not in _COMPOUNDS:
            cut = tuple(p for part in _CAMEL.split(whole) for p in segment(fold(part)) or (fold(part),))
        for k, piece in enumerate(cut or (fold(whole),)):
            out.append((_NUMBER_WORDS.get(piece, piece), glued or k > 0))
    return out


def split_name(name: str) -> tuple[Word, ...]:
    """The words of a file name (with or without its audio suffix), in order."""
    pieces = _spellings(without_suffix(name))
    out: list[Word] = []
    i = 0
    while i < len(pieces):
        length, meant = _compound_at(pieces, i)
        for k, piece in enumerate(meant):
            kind, value = ("number", piece) if piece.isdecimal() else VOCABULARY.get(piece, ("", piece))
            out.append(Word(piece, kind, value, pieces[i][1] or k > 0))
        i += length
    return tuple(out)


def _compound_at(pieces: list[tuple[str, bool]], i: int) -> tuple[int, tuple[str, ...]]:
    for length in range(_LONGEST_COMPOUND, 0, -1):
        key = tuple(p for p, _ in pieces[i : i + length])
        if len(key) == length and key in _COMPOUNDS:
            return length, _COMPOUNDS[key]
    return 1, (pieces[i][0],)
