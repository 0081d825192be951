"""`kitproof check`: a gate for takes, for use in a build."""

from __future__ import annotations

import argparse
from pathlib import Path

from kitproof import deliver, gate, run, saved
from kitproof.commands.shared import Tell, Watching, add_measuring, cache_of
from kitproof.errors import KitproofError
from kitproof.gate import Gated
from kitproof.wholefile import whole_file

EPILOG = """exit status:
  0  every take passes
  1  at least one finding at or above the level
  2  something could not be measured, or the command was not understood"""


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> argparse.ArgumentParser:
    """Add the command's arguments."""
    parser = commands.add_parser(
        "check", help="a gate for a build: pass or fail, as JUnit XML, annotations, Markdown", epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        description="Say of each take whether it passes. A TAKE is a take's folder, which is measured, or a report's "
        "folder or measurements.json, which is only read.",
    )  # fmt: skip
    parser.add_argument("takes", nargs="+", type=Path, metavar="TAKE", help="take, report or measurements.json")
    parser.add_argument(
        "--fail-on",
        choices=gate.LEVELS,
        default="fix",
        help="the least finding that fails a take, default: %(default)s",
    )
    parser.add_argument("--junit", type=Path, metavar="FILE.xml", help="write the result as JUnit XML")
    parser.add_argument("--markdown", type=Path, metavar="FILE.md", help="write the result as Markdown")
    parser.add_argument("--json-dir", type=Path, metavar="DIR", help="write every take's measurements as JSON")
    parser.add_argument("--annotations", action="store_true", help="print workflow commands: ::error, ::warning")
    add_measuring(parser)
    return parser


def check(args: argparse.Namespace, tell: Tell, say: Tell, complain: Tell, watching: Watching) -> int:
    """Check the takes; returns the exit status.

    tell : says what may be silenced, `say` what was asked for in so many words
    """
    takes = []
    for place in args.takes:
        gated = _gated(place, args, watching)
        takes.append(gated)
        for line in gate.lines(gated, args.fail_on):
            tell(line)
        if why := gated.why_not():
            complain(f"{gated.name}: not measured: {why}")
    if args.annotations:
        for line in gate.workflow_commands(takes, args.fail_on):
            say(line)
    _write(takes, args)
    return max(gated.status(args.fail_on) for gated in takes)


def _gated(place: Path, args: argparse.Namespace, watching: Watching) -> Gated:
    """One take, measured or read; a take that cannot be had is an answer too, and the others go on."""
    try:
        if (found := deliver.saved_measurements(place)) is not None:
            return gate.read_saved(found)
        with run.default_executor(args.workers) as executor, watching(place.name) as progress:
            result = run.measure_take(place, executor, progress=progress, strict=args.strict, cache=cache_of(args))
    except (KitproofError, OSError) as error:
        return Gated(name=place.name or str(place), measurements=None, trouble=str(error))
    return Gated(name=result.measurements.take.name, measurements=result.measurements)


def _write(takes: list[Gated], args: argparse.Namespace) -> None:
    if args.junit is not None:
        with whole_file(args.junit) as file:
            file.write(gate.junit(takes, args.fail_on))
    if args.markdown is not None:
        with whole_file(args.markdown) as file:
            file.write(gate.markdown(takes, args.fail_on).encode("utf-8", "backslashreplace"))
    if args.json_dir is not None:
        deliver.make_folder(args.json_dir, "--json-dir")
        for gated, name in zip(takes, _names(takes), strict=True):
            if gated.measurements is not None:
                saved.write_measurements(gated.measurements, args.json_dir / f"{name}.json")


def _names(takes: list[Gated]) -> list[str]:
    """The takes' names, with a number where two have the same."""
    names: list[str] = []
    for gated in takes:
        n = sum(other == gated.name or other.startswith(f"{gated.name} (") for other in names)
        names.append(f"{gated.name} ({n + 1})" if n else gated.name)
    return names
