"""The rule that every record keeps: a figure that could not be had is None, and says why."""

from __future__ import annotations

from collections.abc import Mapping

# Of a delay: what the mic hears before the drum's own mic does is as loud as what follows. A judgement may hang on it.
ALREADY_SOUNDING = "there is sound already where the direct sound is looked for"


def check_reasons(record: object, nullable: tuple[str, ...], unmeasured: Mapping[str, str]) -> None:
    """Every None has a reason and every reason a None: never a guess, never a silent gap.

    Raises
    ------
    ValueError : a field without a value and without a reason, or with both
    """
    for name in nullable:
        missing = getattr(record, name) is None
        if missing != (name in unmeasured):
            raise ValueError(
                f"{type(record).__name__}.{name}: a value or a reason in `unmeasured`, not both or neither"
            )
