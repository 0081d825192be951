"""`kitproof mail`: its arguments, and what they set going; the arguments about mail that `watch` has too."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from kitproof.commands.shared import Tell, add_volume, number_between
from kitproof.mail.message import MailError, read_report
from kitproof.mail.outbox import Outbox
from kitproof.mail.post import flush, in_words, put_in, route, unsettled_lines, write_dry
from kitproof.mail.settings import Settings, parse_server, read_settings, state_folder

SENT, WAITING, NOT_SENT = 0, 1, 2
EPILOG = """The password is never an argument: set KITPROOF_SMTP_USER and KITPROOF_SMTP_PASSWORD, or use the system's
keyring. The other settings may stand in ~/.config/kitproof/mail.toml: server, from, to, user, max_mb.

exit status:
  0  every message is with the server
  1  at least one waits in the outbox, to be tried again
  2  at least one was refused or may not have arrived, or the command was not understood"""


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> argparse.ArgumentParser:
    """Add the command's arguments."""
    parser = commands.add_parser(
        "mail", help="mail a report: one message a person, the PDF attached", epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        description="Mail a report to one person or several, each by a message of their own. What cannot be sent now "
        "waits in the outbox.",
    )  # fmt: skip
    parser.add_argument("report", nargs="?", type=Path, metavar="REPORT", help="a report's folder, or its PDF")
    parser.add_argument("--to", action="append", default=[], metavar="A", help="name@domain; may be given again")
    add_mail_arguments(parser)
    parser.add_argument("--again", action="store_true", help="send it even if it was sent before")
    parser.add_argument("--dry-run", type=Path, metavar="FILE.eml", help="write the message, send nothing")
    parser.add_argument("--flush", action="store_true", help="try what waits in the outbox, tell what is not sent")
    parser.add_argument("--forget", action="store_true", help="drop what may have been sent or was refused")
    add_volume(parser)
    return parser


def add_mail_arguments(parser: argparse.ArgumentParser) -> None:
    """The arguments that say how mail is sent."""
    parser.add_argument("--from", dest="sender", metavar="F", help="who it comes from: name@domain")
    parser.add_argument("--server", metavar="HOST[:PORT]", help="default port: 587; 465 is TLS from the start")
    parser.add_argument("--settings", type=Path, metavar="FILE", help="default: ~/.config/kitproof/mail.toml")
    size = number_between(0.01, 1000, "size of a message", "megabytes")
    parser.add_argument("--max-mb", type=size, metavar="MB", help="largest message, default: 10")
    parser.add_argument("--insecure-plain", action="store_true", help="no TLS, for a server on this machine only")


def settings_of(args: argparse.Namespace, to: Sequence[str]) -> Settings:
    """The settings file, with what the arguments say instead."""
    found = read_settings(args.settings)
    if args.server:
        found = replace(found, server=parse_server(args.server, insecure_plain=args.insecure_plain))
    elif args.insecure_plain:
        raise MailError("--insecure-plain goes with --server")
    return replace(
        found,
        sender=args.sender or found.sender,
        to=tuple(to) or found.to,
        max_mb=args.max_mb or found.max_mb,
    )


def run(args: argparse.Namespace, tell: Tell, complain: Tell) -> int:
    """Send, write or flush, as the arguments say; returns the exit status."""
    if args.forget:
        for letter in Outbox(state_folder()).forget():
            tell(f"{letter.recipient}: {letter.subject}: forgotten")
        return SENT
    if args.report is None and not args.flush:
        raise MailError("nothing to do: give a report, or --flush")
    if args.report is None:
        return _flush(args, tell, complain)
    report = read_report(args.report)
    way = route(settings_of(args, args.to), needs_server=args.dry_run is None)
    if args.dry_run is not None:
        for path in write_dry(report, way, args.dry_run):
            tell(f"{path}: written, nothing sent")
        return SENT
    outbox = Outbox(state_folder())
    letters = put_in(outbox, report, way, again=args.again)
    for letter in letters:
        if letter.state == "sent":
            tell(f"{in_words(letter)} already; --again sends it once more")
        elif letter.state != "waiting":
            complain(in_words(letter))
    keys = [letter.key for letter in letters]
    instead = way.server if args.server else None
    if not flush(outbox, tell, complain, only=None if args.flush else keys, instead=instead, now=True):
        complain("another kitproof is sending just now; the message waits in the outbox")
    return _status([found.state for key in keys if (found := outbox.get(key)) is not None])


def _flush(args: argparse.Namespace, tell: Tell, complain: Tell) -> int:
    outbox = Outbox(state_folder())
    instead = parse_server(args.server, insecure_plain=args.insecure_plain) if args.server else None
    if not flush(outbox, tell, lambda line: None, instead=instead, now=True):
        complain("another kitproof is sending just now")
    for line in unsettled_lines(outbox):
        complain(line)
    return _status([letter.state for letter in outbox.unsettled()])


def _status(states: Sequence[str]) -> int:
    if {"refused", "maybe"} & set(states):
        return NOT_SENT
    return WAITING if {"waiting", "sending"} & set(states) else SENT
