"""What the reader of a take remarks is said in the reader's language."""

import re
import tomllib
from collections.abc import Iterable
from pathlib import Path

import pytest
import soundfile

import kitproof.report
import samples
from kitproof import remarks
from kitproof.ingest.take import read_take
from kitproof.report.context import Context
from kitproof.report.known import sentences_of
from kitproof.report.telling import REMARKS, remark
from kitproof.report.wording import languages, load_words

ALL = sentences_of(remarks)
SLOT = re.compile(r"{(\w+)}")
USUAL = dict.fromkeys(("n", "most", "low", "high"), "3") | {"where": "take.toml, section 2", "word": "bar"}
WORDING = Path(kitproof.report.__file__).parent / "wording"


@pytest.mark.parametrize("language", languages())
def test_every_remark_has_its_words(language: str) -> None:
    """In each language, with the same names in it; in English they are the sentence itself."""
    tree = tomllib.loads((WORDING / f"{language}.toml").read_text("utf-8"))["remark"]
    where = f"pipeline/kitproof/report/wording/{language}.toml, under [remark]"
    assert set(tree) == set(ALL), f"{where}, must have the sentences of pipeline/kitproof/remarks.py"
    for name, text in ALL.items():
        assert set(SLOT.findall(tree[name])) == set(SLOT.findall(text)), f"{where}: {name} holds other values"
        assert (tree[name] == text) == (language == "en"), f"{where}: {name}"


def test_each_remark_is_known_again() -> None:
    """With odd names in it, too; and what is like none of them is none."""
    for name, text in ALL.items():
        odd = dict.fromkeys(SLOT.findall(text), 'Tom "2": take, äußerst.wav')
        values = odd | {slot: value for slot, value in USUAL.items() if slot in odd}
        assert REMARKS.find(text.format(**values)) == (name, values)
    assert REMARKS.find("OH 1.wav: taken as a joke.") is None


def context(language: str) -> Context:
    return Context(*samples.take(n_channels=1, n_findings=0), load_words(language), small=True)


def folder(tmp_path: Path, names: Iterable[str]) -> Path:
    for name in names:
        soundfile.write(tmp_path / name, [0.0] * 480, 48000)
    return tmp_path


def test_remarks_on_a_folder_are_said_in_german(tmp_path: Path) -> None:
    """Names that have to be guessed, a name that says nothing, a role too many and another kind of file."""
    names = ("OH 1.wav", "OH 2.wav", "Snare.wav", "Snare b.wav", "xyz.wav", "Crash.wav")
    (folder(tmp_path, names) / "idea.mp3").write_bytes(b"x")
    (tmp_path / "take.toml").write_text('[take]\ntempo = 1\n[[channel]]\nfile = "kick.wav"\nrole = "drum"\n')
    take = read_take(tmp_path)
    assert len(take.remarks) >= 5
    assert [r for r in take.remarks if REMARKS.find(r) is None] == []
    said = [remark(context("de"), r) for r in take.remarks]
    assert "OH 1.wav: nach Nummer oder Reihenfolge der Namen als overhead-left genommen; wenn nicht, Rolle in " \
        "take.toml angeben." in said  # fmt: skip
    assert "take.toml: „kick.wav“ ist nicht im Ordner; die Datei dazulegen oder den Eintrag löschen." in said
    assert [remark(context("en"), r) for r in take.remarks] == list(take.remarks)


def test_what_is_not_known_stays_as_it_is() -> None:
    """A sentence of an older version is printed as it stands, as foreign."""
    sentence = "take.toml, [take]: the moon was full."
    assert remark(context("fr"), sentence) == sentence
    assert REMARKS.foreign(load_words("fr"), sentence)
    assert not REMARKS.foreign(load_words("en"), sentence)
