"""Copies: one signal under two names, so that a mic is missing."""

from __future__ import annotations

from collections.abc import Iterator

from kitproof.find.evidence import Evidence
from kitproof.find.texts import db, number
from kitproof.model import Duplicate, Finding


def findings_of(e: Evidence) -> Iterator[Finding]:
    """One finding per pair; two sides of one file are a mono recording stored twice."""
    for d in e.records(Duplicate):
        first, second = e.channel(d.a), e.channel(d.b)
        stored_twice = first is not None and second is not None and first.path == second.path
        how = f", {number(d.gain_db)} dB apart" if abs(d.gain_db) > 0.05 else ""
        how += ", turned over" if d.inverted else ""
        yield Finding(
            code="duplicate-channel", severity="look" if stored_twice else "fix", files=(d.a, d.b),
            message=f"{e.head(d.a, d.b)} carry the same signal{how}: of one nothing is left "
            f"but {db(d.residual_db)} when the other is taken away.",
            action="Use one side and name it mono." if stored_twice else
            "Follow both leads to their mics: one input was chosen twice, and one mic is not recorded.",
            value=None, confidence=0.98,
            else_maybe="A mic that was split to two inputs on purpose.",
        )  # fmt: skip
