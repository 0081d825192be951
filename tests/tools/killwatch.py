"""Kill a watch at random moments, again and again, and count: is every take reported once, none twice, none lost?

    python tests/tools/killwatch.py --takes 50 --kills 200

The real thing: `kitproof watch` as a process, takes of three microphones copied into its folder slowly and in any order
meanwhile, takes that have their report exported again, and `kill -9` at random moments. At the end the watch is left
alone until it is done. With --mail every report is mailed to a server on this machine, whose messages are counted too.
Exit status: 0 all as it should be, 1 not.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import soundfile as sf

RATE_HZ = 44100
LENGTH_S = 2.0
LONGEST_TO_A_SIGN_S = 60.0
# what shows, below the place for reports, how far one has got: begun, written, measured, in place
SIGNS = (
    ".kitproof-work/*/order.json", ".kitproof-work/*/report", ".kitproof-work/*/answer.json",
    ".kitproof-work/*/answer.json", "*/report.pdf",
)  # fmt: skip
DRUMS = {"kick.wav": (60.0, (0.3, 1.1)), "snare top.wav": (200.0, (0.7, 1.5)), "hi-hat.wav": (6000.0, (0.5, 1.3))}


@dataclass
class Session:
    """The folder that is exported to, what was exported, and the place for reports."""

    root: Path
    n_takes: int
    rng: random.Random
    exports: dict[str, int] = field(default_factory=dict)
    finished: threading.Event = field(default_factory=threading.Event)
    mail_options: tuple[str, ...] = ()

    @property
    def folder(self) -> Path:
        """What is watched."""
        return self.root / "takes"

    @property
    def out(self) -> Path:
        """Where reports go."""
        return self.root / "reports"

    @property
    def environment(self) -> dict[str, str]:
        """An outbox, settings and a cache of this session alone."""
        return os.environ | {
            "XDG_STATE_HOME": str(self.root / "state"), "XDG_CONFIG_HOME": str(self.root / "none"),
            "KITPROOF_CACHE": str(self.root / "kept"),
        }  # fmt: skip

    def export_all(self, pause_s: float) -> None:
        """Export every take, then again those that have their reports, as long as there are kills. Beside the watch."""
        for n in range(1, self.n_takes + 1):
            self.export(f"Tidewall take {n}")
            time.sleep(self.rng.uniform(0.0, pause_s))
        while not self.finished.wait(0.5):
            done = [name for name, n in self.exports.items() if self.n_reports(name) >= n]
            if done:
                self.export(self.rng.choice(done))

    def n_reports(self, name: str) -> int:
        """Reports of a take, the earlier ones too."""
        return sum(1 for _ in (self.out / name).rglob("report.pdf"))

    @property
    def is_done(self) -> bool:
        """True if there are as many reports as exports."""
        return all(self.n_reports(name) >= n for name, n in self.exports.items())

    def export(self, name: str) -> None:
        """Write a take file by file, each in pieces, in any order."""
        self.exports[name] = self.exports.get(name, 0) + 1
        (self.folder / name).mkdir(parents=True, exist_ok=True)
        files = list(DRUMS)
        self.rng.shuffle(files)
        for file in files:
            content = _stem(file, self.rng.randrange(2**32), self.root / "stem.wav")
            with (self.folder / name / file).open("wb") as out:
                for at in range(0, len(content), 1 << 17):
                    out.write(content[at : at + (1 << 17)])
                    out.flush()
                    time.sleep(self.rng.uniform(0.0, 0.05))


def _stem(file: str, seed: int, scratch: Path) -> bytes:
    """A few strokes over noise, as the bytes of a WAV file."""
    rng = np.random.default_rng(seed)
    hz, times_s = DRUMS[file]
    wave = rng.normal(0.0, 1e-4, round(LENGTH_S * RATE_HZ))
    t = np.arange(RATE_HZ // 4) / RATE_HZ
    for at_s in times_s:
        start = round(at_s * RATE_HZ)
        wave[start : start + len(t)] += rng.uniform(0.3, 0.6) * np.exp(-t / 0.04) * np.sin(2 * np.pi * hz * t)
    sf.write(scratch, wave, RATE_HZ, subtype="PCM_24")
    return scratch.read_bytes()


def start(session: Session, *more: str) -> subprocess.Popen[bytes]:
    """The watch as a process."""
    command = [sys.executable, "-m", "kitproof", "watch", str(session.folder), "--to", str(session.out)]
    options = ["--settle", "1", "--workers", "1", "--small", *session.mail_options, *more]
    with (session.root / "said.txt").open("ab") as said:
        return subprocess.Popen([*command, *options], stdout=said, stderr=said, env=session.environment)


def wait_until_begun(session: Session) -> None:
    """Wait until the watch started last says that it watches: before, a signal is nothing it has to obey."""
    said = session.root / "said.txt"
    n = said.read_text("utf-8").count("watching ")
    while said.read_text("utf-8").count("watching ") == n:
        time.sleep(0.1)


def kill_many(session: Session, n_kills: int, longest_s: float) -> int:
    """Start and kill; how many of the kills hit a watch that was at work, and not one that had ended by itself."""
    n_hit = 0
    for n in range(n_kills):
        process = start(session)
        _wait_for_the_moment(session, longest_s)
        n_hit += process.poll() is None
        process.kill()
        process.wait()
        if (n + 1) % 10 == 0:
            n_reports = sum(1 for _ in session.out.glob("*/report.pdf"))
            print(f"{n + 1} kills, {n_reports} takes with a report", flush=True)
    return n_hit


def _wait_for_the_moment(session: Session, longest_s: float) -> None:
    """Half of the kills come after a random time, half shortly after a report has got to a certain point.

    A busy machine would otherwise be hit while it starts, nearly always, and never while it puts reports in place.
    """
    if session.rng.random() < 0.5:
        time.sleep(session.rng.uniform(0.1, longest_s))
        return
    sign = session.rng.choice(SIGNS)
    end_s = time.monotonic() + LONGEST_TO_A_SIGN_S
    before = _seen(session, sign)  # left by those killed before
    while time.monotonic() < end_s and not _seen(session, sign) - before:
        time.sleep(0.005)
    time.sleep(session.rng.uniform(0.0, 1.0) ** 2)


def _seen(session: Session, sign: str) -> set[tuple[str, int]]:
    seen = set()
    for path in session.out.glob(sign):
        with contextlib.suppress(OSError):  # moved on
            seen.add((str(path), path.stat().st_mtime_ns))
    return seen


def count(session: Session) -> dict[str, int]:
    """What there is against what was exported."""
    found = {name: session.n_reports(name) for name in session.exports}
    return {
        "exports": sum(session.exports.values()),
        "reports": sum(found.values()),
        "doubled": sum(max(0, found[n] - session.exports[n]) for n in found),
        "lost": sum(max(0, session.exports[n] - found[n]) for n in found),
        "failure notes": len(list(session.out.glob("*-failed.txt"))),
        "left in the working folder": len(list((session.out / ".kitproof-work").iterdir())),
        "left in the takes' folders": sum(1 for p in session.folder.rglob("*") if p.is_file() and p.name not in DRUMS),
    }


def count_mail(session: Session, got: list[tuple[str, str, bytes]]) -> dict[str, int]:
    """What came in at the server against what the outbox says, once it is empty."""
    flush = [sys.executable, "-m", "kitproof", "mail", "--flush"]
    subprocess.run(flush, env=session.environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=False)
    with contextlib.closing(sqlite3.connect(session.root / "state" / "kitproof" / "outbox.sqlite")) as db:
        states = dict(db.execute("SELECT state, count(*) FROM mail GROUP BY state").fetchall())
    ids = [line for _, _, content in got for line in content.splitlines() if line.startswith(b"Message-ID: ")]
    return {
        "put in": sum(states.values()),
        "sent": states.get("sent", 0),
        "maybe": states.get("maybe", 0),
        "doubled": len(ids) - len(set(ids)),
        "lost": max(0, states.get("sent", 0) - len(set(ids))),
        "not put in": max(0, sum(session.exports.values()) - sum(states.values())),
        "waiting or refused": states.get("waiting", 0) + states.get("refused", 0) + states.get("sending", 0),
    }


@contextlib.contextmanager
def mail_server(session: Session) -> Iterator[list[tuple[str, str, bytes]]]:
    """A server that takes everything, and what it got."""
    sys.path.insert(0, str(Path(__file__).parents[1]))
    import mailkit

    with mailkit.running(mailkit.make_certificate(session.root / "certificate"), tls="none") as (port, server):
        session.mail_options = (
            "--mail", "bass@example.org", "--from", "room@example.org", "--server", f"localhost:{port}",
            "--insecure-plain",
        )  # fmt: skip
        yield server.got


def main() -> int:
    """Run and print the figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--takes", type=int, default=50)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--longest", type=float, default=5.0, metavar="S", help="longest time to a kill")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--mail", action="store_true", help="mail every report, too")
    args = parser.parse_args()
    root = Path(tempfile.mkdtemp(prefix="killwatch-"))
    session = Session(root=root, n_takes=args.takes, rng=random.Random(args.seed))
    session.folder.mkdir()
    began_s = time.monotonic()
    with mail_server(session) if args.mail else contextlib.nullcontext([]) as got:
        n_hit, is_clean = run_through(session, args.kills, args.longest)
        mail = count_mail(session, got) if args.mail else {}
    figures = count(session)
    print(f"kills {args.kills}, of them at a running watch {n_hit}; {time.monotonic() - began_s:.0f} s")
    print(", ".join(f"{name} {n}" for name, n in figures.items()))
    if mail:
        print("mail: " + ", ".join(f"{name} {n}" for name, n in mail.items()))
    wrong = [*list(figures.values())[2:], *list(mail.values())[3:]]
    good = is_clean and figures["reports"] == figures["exports"] and not any(wrong)
    print("every take reported once" if good else f"NOT as it should be; see {root}")
    if good:
        shutil.rmtree(root)
    return 0 if good else 1


def run_through(session: Session, n_kills: int, longest_s: float) -> tuple[int, bool]:
    """(kills of a running watch, whether the last runs ended as they should)."""
    exporter = threading.Thread(target=session.export_all, args=(n_kills * longest_s / (3 * session.n_takes),))
    exporter.start()
    n_hit = kill_many(session, n_kills, longest_s)
    session.finished.set()
    exporter.join()
    last = start(session)  # left alone now
    wait_until_begun(session)
    end_s = time.monotonic() + 1200.0
    while not session.is_done and time.monotonic() < end_s:
        time.sleep(0.2)
    last.send_signal(signal.SIGTERM)
    stopped = last.wait(60.0)
    return n_hit, stopped == 0 and start(session, "--once").wait(600.0) in (0, 1)


if __name__ == "__main__":
    sys.exit(main())
