"""`kitproof compare`: its arguments, and what they set going."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from concurrent.futures import Executor
from contextlib import contextmanager
from pathlib import Path

from kitproof import deliver, run
from kitproof.commands.shared import Tell, Watching, add_look, add_measuring, cache_of
from kitproof.compare import MOST_TAKES, Reading, compare
from kitproof.errors import KitproofError, OutputError
from kitproof.saved import read_measurements, read_pictures

COMPARED, TOO_FEW = 0, 2
EPILOG = """exit status:
  0  compared
  2  fewer than two takes could be read, or the command was not understood"""


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> argparse.ArgumentParser:
    """Add the command's arguments."""
    parser = commands.add_parser(
        "compare", help="what changed between takes, and which take for what", epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        description="Hold two to twelve takes against the first one: mics that moved, gains that were turned, drums "
        "retuned; a map of bars, the best whole take and the best for each stretch. Writes comparison.pdf and "
        "comparison.json.",
    )  # fmt: skip
    parser.add_argument(
        "takes", nargs="+", type=Path, metavar="TAKE",
        help="take folder (measured first), report folder, or its measurements.json",
    )  # fmt: skip
    parser.add_argument(
        "-o", "--out", type=Path, default=Path("kitproof-comparison"), metavar="DIR", help="default: %(default)s"
    )
    add_look(parser, lighter=False)
    add_measuring(parser)
    return parser


def compare_takes(args: argparse.Namespace, watching: Watching, tell: Tell, complain: Tell) -> int:
    """Read or measure the takes, compare them, write both files; returns the exit status.

    A take that cannot be read is named and left out, as long as two are left.
    """
    if not 2 <= len(args.takes) <= MOST_TAKES:
        raise OutputError(f"{len(args.takes)} takes to compare; give 2 to {MOST_TAKES}")
    readings = []
    with _executor(args) as executor:
        for path in args.takes:
            try:
                readings.append(_read(path, args, executor, watching))
            except KitproofError as error:
                if args.strict:
                    raise
                complain(f"{error}; left out of the comparison")
    if len(readings) < 2:
        complain(f"{len(readings)} of {len(args.takes)} takes could be read; two are needed")
        return TOO_FEW
    files = deliver.write_comparison(
        compare(readings), [r.measurements for r in readings], args.out, page_size=args.page, language=args.language
    )
    for file in files:
        tell(str(file))
    return COMPARED


@contextmanager
def _executor(args: argparse.Namespace) -> Iterator[Executor | None]:
    """Processes to measure with, if anything has to be measured."""
    if all(deliver.saved_measurements(path) is not None for path in args.takes):
        yield None
        return
    with run.default_executor(args.workers) as executor:
        yield executor


def _read(path: Path, args: argparse.Namespace, executor: Executor | None, watching: Watching) -> Reading:
    saved = deliver.saved_measurements(path)
    if saved is not None:
        pictures = saved.with_name("pictures.npz")
        strokes = read_pictures(pictures).hits if pictures.exists() else ()
        return Reading(read_measurements(saved), strokes)
    if executor is None:
        raise OutputError(f"{path}: changed while takes were read; compare again")
    with watching(path.name) as progress:
        result = run.measure_take(path, executor, progress=progress, strict=args.strict, cache=cache_of(args))
    return Reading(result.measurements, result.pictures.hits)
