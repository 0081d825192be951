"""What several commands have in common: arguments, and what those stand for."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from contextlib import AbstractContextManager

from kitproof import run
from kitproof.deliver import languages

Tell = Callable[[str], None]
Watching = Callable[[str], AbstractContextManager[run.Progress | None]]


def add_look(parser: argparse.ArgumentParser, *, lighter: bool = True) -> None:
    """How a report looks; without `lighter` where a command has no use for coarser pictures or a short edition."""
    sizes = ("a4", "letter", "phone") if lighter else ("a4", "letter")
    about = "page size, default: %(default)s" + ("; phone: a short edition, read without zooming" if lighter else "")
    parser.add_argument("--page", choices=sizes, default="a4", help=about)
    if lighter:
        parser.add_argument("--small", action="store_true", help="coarser pictures, for mail")
    parser.add_argument("--language", choices=languages(), default="en", help="of the report, default: %(default)s")


def add_measuring(parser: argparse.ArgumentParser) -> None:
    """What every command has that measures takes and then ends."""
    add_effort(parser)
    parser.add_argument("--strict", action="store_true", help="stop at the first stage that fails")
    add_volume(parser, verbose="print all findings, and where an error came from")


def add_effort(parser: argparse.ArgumentParser) -> None:
    """How much is measured at once, and whether what is known is measured anew."""
    parser.add_argument("--workers", type=_count, metavar="N", help="processes, default: one a processor")
    parser.add_argument("--no-cache", action="store_true", help="measure anew what was measured before")


def add_volume(parser: argparse.ArgumentParser, *, verbose: str = "show where an error came from") -> None:
    """How much is said."""
    parser.add_argument("-q", "--quiet", action="store_true", help="print errors only")
    parser.add_argument("-v", "--verbose", action="store_true", help=verbose)


def cache_of(args: argparse.Namespace) -> run.Cache | None:
    """The user's cache, unless the arguments do without."""
    return None if args.no_cache else run.open_cache()


def number_between(low: float, high: float, what: str, unit: str) -> Callable[[str], float]:
    """The type of an argument that is a number from `low` to `high`."""

    def parse(text: str) -> float:
        try:
            number = float(text)
        except ValueError:
            number = float("nan")
        if not low <= number <= high:
            raise argparse.ArgumentTypeError(f"{text!r} is no {what}; give {low:g} to {high:g} {unit}")
        return number

    return parse


def _count(text: str) -> int:
    number = int(text) if text.isascii() and text.isdecimal() else 0
    if number < 1:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number of processes; give 1 or more")
    return number
