"""`kitproof watch`: its arguments, and what they set going."""

from __future__ import annotations

import argparse
import signal
from pathlib import Path

from kitproof.commands.mail import add_mail_arguments, settings_of
from kitproof.commands.shared import Tell, add_effort, add_look, add_volume, number_between
from kitproof.mail.outbox import Outbox
from kitproof.mail.post import Postman, route
from kitproof.mail.settings import find_login, state_folder
from kitproof.watch.child import Making
from kitproof.watch.service import SETTLE_S, Plan, watch

EPILOG = """exit status:
  0  stopped by Ctrl-C or SIGTERM; with --once: nothing to fix, or nothing new
  1  with --once: at least one finding says: fix
  2  with --once: a take could not be measured; or the watch could not begin"""


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> argparse.ArgumentParser:
    """Add the command's arguments."""
    parser = commands.add_parser(
        "watch", help="report every take of a folder as soon as its export has finished", epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        description="Watch a folder. Each of its sub-folders is a take, and so are files in it whose names begin with "
        "the same take (\"Tidewall take 3 kick.wav\"). A take is reported once its files have come to rest; exported "
        "again, it is reported again, and the report before it is kept. Nothing is ever written into the folder.",
    )  # fmt: skip
    parser.add_argument("folder", type=Path, metavar="FOLDER", help="the folder that takes are exported to")
    parser.add_argument("--to", type=Path, required=True, metavar="DIR", help="where reports go")
    parser.add_argument("--once", action="store_true", help="report what is finished, then end: for cron")
    parser.add_argument(
        "--settle", type=number_between(0.1, 3600, "settle time", "seconds"), default=SETTLE_S, metavar="S",
        help="seconds that a take's files must have been at rest, default: %(default)g",
    )  # fmt: skip
    parser.add_argument("--poll", action="store_true", help="look every few seconds; network shares are anyway")
    add_look(parser)
    parser.add_argument(
        "--mail", action="append", default=[], metavar="A", help="mail each report to name@domain; may be given again"
    )
    add_mail_arguments(parser)
    add_effort(parser)
    add_volume(parser)
    return parser


def run(args: argparse.Namespace, tell: Tell, complain: Tell) -> int:
    """Watch as the arguments say, until a signal ends it; returns the exit status."""
    stop = _Stop()
    postman = _postman(args, tell, complain) if args.mail else None
    plan = Plan(
        folder=args.folder, out=args.to, settle_s=args.settle, poll=args.poll,
        making=Making(
            workers=args.workers, page=args.page, small=args.small, language=args.language,
            is_remembered=not args.no_cache,
        ),
        on_report=postman.put_in if postman is not None else lambda folder: None,
    )  # fmt: skip
    with stop:
        if not args.once:
            tell(f"watching {args.folder}, reports go to {args.to}; Ctrl-C ends it")
        if postman is not None and not args.once:
            postman.start()
        try:
            return watch(plan, tell, complain, stop.is_set, once=args.once)
        finally:
            if postman is not None:
                postman.end()
                if args.once:
                    postman.flush()


def _postman(args: argparse.Namespace, tell: Tell, complain: Tell) -> Postman:
    """Mail set up and checked as far as that goes without sending, before anything is measured."""
    way = route(settings_of(args, args.mail))
    find_login(way.server, way.user)
    return Postman(Outbox(state_folder()), way, tell, complain)


class _Stop:
    """Ctrl-C and SIGTERM as a wish that the loop looks at. A handler may set a flag and no more."""

    def __init__(self) -> None:
        self._wanted = False

    def is_set(self) -> bool:
        return self._wanted

    def _note(self, *_: object) -> None:
        self._wanted = True

    def __enter__(self) -> None:
        self._before = {s: signal.signal(s, self._note) for s in (signal.SIGINT, signal.SIGTERM)}

    def __exit__(self, *_: object) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)
