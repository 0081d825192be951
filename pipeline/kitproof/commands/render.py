"""`kitproof render`: the report anew from saved measurements, without the audio."""

from __future__ import annotations

import argparse
from pathlib import Path

from kitproof import deliver
from kitproof.commands.shared import add_look


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> argparse.ArgumentParser:
    """Add the command's arguments."""
    parser = commands.add_parser(
        "render", help="draw a report anew from saved measurements, without the audio",
        description="Draw report.pdf from measurements.json and, if it lies beside it, pictures.npz: in another "
        "language, on other paper, small enough to mail.",
    )  # fmt: skip
    parser.add_argument("measurements", type=Path, metavar="FILE", help="measurements.json, or the folder it is in")
    parser.add_argument("-o", "--out", type=Path, metavar="FILE.pdf", help="default: report.pdf beside it")
    add_look(parser)
    return parser


def render(args: argparse.Namespace) -> Path:
    """Draw the report; returns where it is.

    Raises
    ------
    SavedError : the measurements or pictures cannot be read
    OutputError : the report cannot be written
    """
    saved: Path = args.measurements
    if saved.is_dir():
        saved = saved / "measurements.json"
    out: Path = args.out or saved.with_name("report.pdf")
    deliver.render_saved(saved, out, page_size=args.page, small=args.small, language=args.language)
    return out
