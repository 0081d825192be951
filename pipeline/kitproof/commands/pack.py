"""`kitproof pack`: what the others get of a take, in one folder or zip."""

from __future__ import annotations

import argparse
from pathlib import Path

from kitproof import run
from kitproof.commands.shared import Watching, add_look, add_measuring, cache_of


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> argparse.ArgumentParser:
    """Add the command's arguments."""
    parser = commands.add_parser(
        "pack", help="the hand-over pack: guide, tempo map, recall sheet, offsets, spare hits, report",
        description="Write a folder for the others: report, recall sheet, tempo map, offsets and polarities, a rough "
        "stereo guide, spare hits, checksums. The take's own files are only read.",
    )  # fmt: skip
    parser.add_argument("take", type=Path, metavar="TAKE", help="folder with one file per microphone")
    parser.add_argument("--to", type=Path, default=Path("kitproof-pack"), metavar="DIR", help="default: %(default)s")
    parser.add_argument("--zip", action="store_true", help="one zip in place of a folder")
    add_look(parser, lighter=False)
    add_measuring(parser)
    return parser


def pack(args: argparse.Namespace, watching: Watching) -> tuple[run.Result, Path]:
    """Measure the take, or remember it, and write its pack."""
    # Here and not above: no other command needs what mixes and draws a pack, nor the libraries for it.
    from kitproof.pack.build import write_pack

    with run.default_executor(args.workers) as executor, watching(args.take.name) as progress:
        result = run.measure_take(args.take, executor, progress=progress, strict=args.strict, cache=cache_of(args))
        path = write_pack(
            result.measurements, result.pictures, args.to, as_zip=args.zip, page=args.page, language=args.language
        )
    return result, path
