"""The command line: arguments, printing, exit codes. Nothing else in the package prints."""

from __future__ import annotations

import argparse
import io
import sys
import traceback
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from pathlib import Path

from rich.console import Console
from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeElapsedColumn

from kitproof import __version__, deliver, run
from kitproof.commands import check, compare, mail, pack, render, watch
from kitproof.commands.shared import Tell, add_look, add_measuring, cache_of
from kitproof.errors import KitproofError
from kitproof.model import Measurements

OK, TO_FIX, NOTHING_MEASURED = 0, 1, 2
EXIT_CODES = """exit status:
  0  measured, nothing to fix
  1  measured, at least one finding says: fix
  2  a take could not be measured, or the command was not understood"""
STAGES = {
    "channels": "reading every channel",
    "hits": "finding the hits",
    "arrival": "listening for each drum in each mic",
}


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit status."""
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="backslashreplace")  # a folder's name may be no text; standard error copes
    args = _parser().parse_args(argv)
    try:
        return int(args.command(args))
    except KeyboardInterrupt:
        print("kitproof: stopped", file=sys.stderr)
    except Exception as error:
        _complain(error, verbose=getattr(args, "verbose", False))
    return NOTHING_MEASURED


def _complain(error: Exception, *, verbose: bool) -> None:
    """One line on standard error. Python itself would end with status 1, which means something else here."""
    if isinstance(error, KitproofError):
        print(f"kitproof: {error}", file=sys.stderr)
        return
    if verbose:
        traceback.print_exception(error)
    hint = "" if verbose else " (--verbose shows where)"
    print(f"kitproof: this should not happen: {type(error).__name__}: {error}{hint}", file=sys.stderr)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="kitproof", description="Is this drum take technically keepable? From its stems alone.",
        epilog=EXIT_CODES, formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    parser.add_argument("--version", action="version", version=f"kitproof {__version__}")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    _add_report(commands)
    _add_measure(commands)
    render.add(commands).set_defaults(command=_render)
    check.add(commands).set_defaults(
        command=lambda args: check.check(args, _teller(args), print, _warn, partial(_progress, args))
    )
    pack.add(commands).set_defaults(command=_pack)
    compare.add(commands).set_defaults(
        command=lambda args: compare.compare_takes(args, partial(_progress, args), _teller(args), _warn)
    )
    _add_sheet(commands)
    _add_limits(commands)
    _add_demo(commands)
    mail.add(commands).set_defaults(command=lambda args: mail.run(args, _teller(args), _warn))
    watch.add(commands).set_defaults(command=lambda args: watch.run(args, _teller(args), _warn))
    return parser


def _add_report(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    report = commands.add_parser(
        "report", help="measure takes and write a PDF for each", epilog=EXIT_CODES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        description="Measure each take folder and write report.pdf, measurements.json, hits.csv and pictures.npz "
        "into a folder of its name. The take folders themselves are only read.",
    )  # fmt: skip
    report.add_argument("takes", nargs="+", type=Path, metavar="TAKE", help="folder with one file per microphone")
    report.add_argument(
        "-o", "--out", type=Path, default=Path("kitproof-report"), metavar="DIR", help="default: %(default)s"
    )
    add_look(report)
    add_measuring(report)
    report.set_defaults(command=_report)


def _add_measure(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    measure = commands.add_parser(
        "measure", help="measure one take and write the numbers only", epilog=EXIT_CODES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        description="All measurements and findings as JSON, no PDF.",
    )  # fmt: skip
    measure.add_argument("take", type=Path, metavar="TAKE", help="folder with one file per microphone")
    measure.add_argument("--json", type=Path, required=True, metavar="FILE", help="where to write the measurements")
    add_measuring(measure)
    measure.set_defaults(command=_measure)


def _add_sheet(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    sheet = commands.add_parser(
        "sheet", help="write a take.toml to complete: the input list and recall sheet",
        description="Write take.toml into a take folder, with the roles read from the file names.",
    )  # fmt: skip
    sheet.add_argument("folder", type=Path, metavar="FOLDER")
    sheet.add_argument("--force", action="store_true", help="replace a take.toml that is there")
    sheet.set_defaults(command=_sheet)


def _add_limits(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    limits = commands.add_parser(
        "limits", help="print every limit a finding hangs on, as a file to start from",
        description="Print all limits with unit, reason and source. Save what you change as kitproof-limits.toml in a "
        "folder above your takes (a room's), as kitproof/limits.toml in your settings folder (your own), or as the "
        "table [limits] in a take.toml (one take's).",
    )  # fmt: skip
    limits.set_defaults(command=_limits)


def _add_demo(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    demo = commands.add_parser(
        "demo", help="write the demo takes: a modelled kit in a room",
        description="Write two invented takes of the song Tidewall into a folder: fourteen microphones, 20 seconds.",
    )  # fmt: skip
    demo.add_argument("folder", type=Path, metavar="FOLDER")
    demo.set_defaults(command=_demo)


def _report(args: argparse.Namespace) -> int:
    deliver.refuse_same_names(args.takes)
    statuses = []
    with run.default_executor(args.workers) as executor:
        for folder in args.takes:
            try:
                with _progress(args, folder.name) as tell:
                    result = run.measure_take(folder, executor, progress=tell, strict=args.strict, cache=cache_of(args))
                    files = deliver.write_all(
                        result, args.out, page_size=args.page, small=args.small, language=args.language,
                        cache=cache_of(args),
                    )  # fmt: skip
            except Exception as error:
                if args.strict:
                    raise
                _complain(error, verbose=args.verbose)
                statuses.append(NOTHING_MEASURED)
                continue
            _tell_result(args, result)
            if not args.quiet:
                print(f"  {files.pdf}")
            statuses.append(_status(result.measurements))
    return max(statuses)


def _measure(args: argparse.Namespace) -> int:
    deliver.refuse_target(args.take, args.json)
    with run.default_executor(args.workers) as executor, _progress(args, args.take.name) as tell:
        result = run.measure_take(args.take, executor, progress=tell, strict=args.strict, cache=cache_of(args))
    deliver.write_json(result, args.json)
    _tell_result(args, result)
    return _status(result.measurements)


def _pack(args: argparse.Namespace) -> int:
    result, path = pack.pack(args, partial(_progress, args))
    _tell_result(args, result)
    if not args.quiet:
        print(f"  {path}")
    return OK


def _render(args: argparse.Namespace) -> int:
    print(render.render(args))
    return OK


def _sheet(args: argparse.Namespace) -> int:
    path = deliver.write_sheet(args.folder, force=args.force)
    print(f"{path}: complete it, then run kitproof report")
    return OK


def _limits(args: argparse.Namespace) -> int:
    print(run.limits_text(), end="")
    return OK


def _demo(args: argparse.Namespace) -> int:
    for path in deliver.write_demo(args.folder):
        print(path)
    return OK


def _teller(args: argparse.Namespace) -> Tell:
    """What long-running commands say things with: at once, in a pipe too."""
    return (lambda line: None) if args.quiet else (lambda line: print(line, flush=True))


def _warn(line: str) -> None:
    print(f"kitproof: {line}", file=sys.stderr, flush=True)


def _status(m: Measurements) -> int:
    return TO_FIX if any(f.severity == "fix" for f in m.findings) else OK


def _tell_result(args: argparse.Namespace, result: run.Result) -> None:
    m = result.measurements
    for trouble in result.troubles:  # an error, so said with --quiet too
        print(f"kitproof: {m.take.name}: {trouble}; what it would have shown is not checked", file=sys.stderr)
    if args.quiet:
        return
    print(f"{m.take.name}: {m.verdict.sentence}")
    shown = m.findings if args.verbose else [m.findings[i] for i in m.verdict.red_lines]
    for f in shown:
        print(f"  {f.severity}: {f.message} {f.action}")


@contextmanager
def _progress(args: argparse.Namespace, title: str) -> Iterator[run.Progress | None]:
    """A progress bar on a terminal; nothing in a pipe or with --quiet."""
    console = Console(stderr=True)
    # Asked of the stream itself: an environment variable may make the console believe in a terminal.
    if args.quiet or not sys.stderr.isatty():
        yield None
        return
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.completed}/{task.total}"),
        TimeElapsedColumn(),
    )
    with Progress(*columns, console=console, transient=True) as bar:
        tasks: dict[str, TaskID] = {}

        def tell(stage: str, done: int, total: int) -> None:
            if stage not in tasks:
                tasks[stage] = bar.add_task(f"{title}: {STAGES.get(stage, stage)}", total=total)
            bar.update(tasks[stage], completed=done)

        yield tell
