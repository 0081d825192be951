"""What the finer checks saw: sorted by kind, saved and read back, documented."""

from dataclasses import fields, is_dataclass
from typing import get_args, get_type_hints

from kitproof.observed import Observed
from test_saved import documented_keys

KINDS = {name: get_args(hint)[0] for name, hint in get_type_hints(Observed).items()}


def keys_of(kind: type, name: str) -> dict[str, set[str]]:
    """The sections that SCHEMA.md needs for a record: its own, and one for each record inside it."""
    sections = {name: {f.name for f in fields(kind)}}
    for key, hint in get_type_hints(kind).items():
        inner = next((a for a in get_args(hint) if is_dataclass(a)), None)
        if inner is not None:
            sections |= keys_of(inner, f"{name}.{key}")
    return sections


def test_every_key_of_every_kind_is_documented():
    """SCHEMA.md has a section "observed.<list>" for each kind of record, with exactly its keys."""
    wanted = {title: keys for name, kind in KINDS.items() for title, keys in keys_of(kind, f"observed.{name}").items()}

    assert {t: keys for t, keys in documented_keys().items() if t.startswith("observed.")} == wanted


def test_a_record_of_no_kind_is_a_clue_and_is_not_saved():
    """What observers tell one another stays between them."""
    assert Observed.of([object(), "a clue"]) == Observed()


def test_no_two_lists_hold_the_same_kind():
    """Records are sorted by their type, so each type has one list."""
    assert len(set(KINDS.values())) == len(KINDS)
