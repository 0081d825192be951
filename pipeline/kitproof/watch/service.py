"""The loop: look, settle, measure, put in place, note it; again. Killed at any moment, it goes on where it was.

Order of what is written for one report, each step on disk before the next:

    1. ledger: measuring        a crash from here on leaves a half-made working folder, which the next start removes
    2. the report, whole, in the working folder DIR/.kitproof-work/<token>/
    3. the take is looked at again: if anything about it changed meanwhile, 1 and 2 are taken back
    4. ledger: placing          from here on the report counts as made; a crash is made good by doing 5 to 7 again
    5. working folder -> DIR/<take>/, by rename
    6. what is to be done with a new report (mail)
    7. ledger: reported
"""

from __future__ import annotations

import secrets
import shutil
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from kitproof.errors import KitproofError, OutputError, TakeError
from kitproof.ingest.audiofile import file_sha256
from kitproof.watch.child import Making, Outcome, measure_in_child
from kitproof.watch.folders import Bundle, content_hash, look, look_again
from kitproof.watch.hints import Hints
from kitproof.watch.ledger import Ledger, Row
from kitproof.watch.measurer import REPORT_FOLDER
from kitproof.watch.place import failure_note, put_in_place, refuse_place, write_failure
from kitproof.watch.settle import Settling

WORK_NAME = ".kitproof-work"
SETTLE_S = 10.0
NOTHING_REPORTED = 2
LOOK_EVERY_S = 30.0  # with hints from the system: hints can get lost
POLL_EVERY_S = 2.0  # without
TRY_AGAIN_S = 60.0  # after a fault of the place that reports go to
_AND_TROUBLES = "\n\n"  # in what a row of the ledger has to say: behind it, what went wrong on the way
MOST_READS = 3  # of a take in which a file that was fine just before cannot be read

Tell = Callable[[str], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What to watch, where reports go, and how they are made.

    `on_report` is called with the folder of every new report, perhaps twice after a crash.
    """

    folder: Path
    out: Path
    settle_s: float = SETTLE_S
    poll: bool = False
    making: Making = field(default_factory=Making)
    on_report: Callable[[Path], None] = lambda folder: None


def watch(plan: Plan, tell: Tell, complain: Tell, is_stopping: Callable[[], bool], *, once: bool = False) -> int:
    """Watch until `is_stopping` says so, or with `once` until everything that has come to rest is reported.

    Returns
    -------
    0, or with `once` the worst status of its reports: 0 nothing to fix, 1 something to fix, 2 a take without a report

    Raises
    ------
    TakeError, OutputError : the watched folder or the place for reports cannot be used
    """
    refuse_folders(plan.folder, plan.out)
    look(plan.folder)
    try:
        (plan.out / WORK_NAME).mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"{plan.out}: cannot be made ({error.strerror or error}); choose another --to") from error
    with Ledger(plan.out) as ledger:
        one = _Watch(plan, ledger, tell, complain, is_stopping)
        return one.run_once() if once else one.run()


def refuse_folders(folder: Path, out: Path) -> None:
    """Raise OutputError if reports would go into the watched folder, or the takes lie where reports go."""
    watched, target = folder.resolve(), out.resolve()
    if watched == target or watched in target.parents:
        raise OutputError(f"{out}: lies in the watched folder, where nothing is ever written; choose another --to")
    if target in watched.parents:
        raise OutputError(f"{out}: holds the watched folder; choose a folder of its own for the reports with --to")


class _Watch:
    """One run of the loop."""

    def __init__(self, plan: Plan, ledger: Ledger, tell: Tell, complain: Tell, is_stopping: Callable[[], bool]) -> None:
        self._plan, self._ledger, self._tell, self._complain = plan, ledger, tell, complain
        self._is_stopping = is_stopping
        self._work = plan.out / WORK_NAME
        self._settling = Settling(plan.settle_s, ledger.sightings(time.monotonic()))
        self._said: set[str] = set()
        self._not_before_s: dict[str, float] = {}
        self._n_reads: dict[str, int] = {}
        self._worst = 0

    # ------------------------------------------------------------ the two ways to run
    def run(self) -> int:
        """Until it is stopped."""
        with Hints(self._plan.folder, poll=self._plan.poll) as hints:
            while not self._is_stopping():
                self._resume()
                bundles = self._look()
                self._report_ready(bundles)
                hints.wait(self._pause_s(bundles, native=hints.are_native), self._is_stopping)
        return 0

    def run_once(self) -> int:
        """Until a look finds nothing that is at rest and has no report."""
        self._resume()
        # Long enough for takes seen first now, and a change of theirs soon after; what comes later is for the next run.
        end_s = time.monotonic() + 1.5 * self._plan.settle_s + 1.0
        with Hints(self._plan.folder, poll=True) as pause:
            while not self._is_stopping():
                bundles = self._look()
                if self._report_ready(bundles):
                    continue
                wait_s = min((s for b in self._open(bundles) if (s := self._due_s(b)) > 0), default=None)
                if wait_s is None or time.monotonic() + wait_s > end_s:
                    break
                pause.wait(wait_s, self._is_stopping)
        return self._worst

    def _look(self) -> tuple[Bundle, ...]:
        try:
            seen = look(self._plan.folder)
        except TakeError as error:
            self._once_only(str(error))
            return ()
        self._said = {line for line in self._said if line in seen.remarks}
        for remark in seen.remarks:
            self._once_only(remark)
        now_s = time.monotonic()
        if self._settling.update(seen.bundles, now_s):
            try:
                self._ledger.keep_sightings(self._settling.sightings, now_s)
            except OutputError as error:  # they only save a wait after the next start
                self._once_only(str(error))
        return seen.bundles

    def _once_only(self, line: str) -> None:
        if line not in self._said:
            self._said.add(line)
            self._complain(line)

    def _pause_s(self, bundles: tuple[Bundle, ...], *, native: bool) -> float:
        longest_s = LOOK_EVERY_S if native else POLL_EVERY_S
        return min([longest_s, *(max(0.05, self._due_s(b)) for b in self._open(bundles))])

    def _due_s(self, bundle: Bundle) -> float:
        now_s = time.monotonic()
        return max(self._settling.due_s(bundle, now_s), self._not_before_s.get(bundle.name, 0.0) - now_s)

    def _open(self, bundles: tuple[Bundle, ...]) -> list[Bundle]:
        """The takes that have no report as they are now."""
        out = []
        for bundle in bundles:
            last = self._ledger.last(bundle.name)
            if last is None or last.fingerprint != bundle.fingerprint:
                out.append(bundle)
        return out

    # ------------------------------------------------------------ one take
    def _report_ready(self, bundles: tuple[Bundle, ...]) -> int:
        """Report what is ready; how many were taken up."""
        n = 0
        for bundle in self._open(bundles):
            now_s = time.monotonic()
            if self._is_stopping() or now_s < self._not_before_s.get(bundle.name, 0.0):
                continue
            if not self._settling.is_ready(bundle, now_s) or self._is_copy_of_reported(bundle):
                continue
            n += 1
            try:
                self._report(bundle)
            except Exception as error:
                self._put_off(bundle.name, _told(error))
        return n

    def _is_copy_of_reported(self, bundle: Bundle) -> bool:
        """True if only the times of the files have changed since the report; that is noted."""
        last = self._ledger.last(bundle.name)
        if last is None or last.state != "reported" or last.content is None or last.listing != bundle.listing:
            return False
        try:
            sums: dict[str, str | None] = {f.name: file_sha256(bundle.folder / f.name) for f in bundle.files}
        except KitproofError:
            return False
        if content_hash(sums) != last.content:
            return False
        self._ledger.renew(last, bundle.fingerprint)
        return True

    def _report(self, bundle: Bundle) -> None:
        token = secrets.token_hex(8)
        work = self._work / token
        work.mkdir()
        row = self._ledger.begin(bundle.name, bundle.fingerprint, bundle.listing, token)
        try:
            outcome = measure_in_child(bundle, work, self._plan.making, self._is_stopping)
        except BaseException:
            self._take_back(row)
            raise
        if outcome.kind == "stopped" or self._changed_meanwhile(bundle, outcome):
            self._take_back(row)
        elif outcome.kind == "unwritable":
            self._take_back(row)
            self._put_off(bundle.name, outcome.said)
        elif outcome.kind == "failed":
            self._fail(row, outcome.said)
        else:
            self._ledger.move(
                row, "placing", content=outcome.content, status=outcome.status, said=_in_words(row, outcome)
            )
            self._finish(row.take)

    def _changed_meanwhile(self, bundle: Bundle, outcome: Outcome) -> bool:
        """True if the take is not what it was when measuring began, or a file of it could not be read just then."""
        now = look_again(bundle)
        if now is None or now.witness != bundle.witness:
            return True
        if not outcome.problems or self._settling.why_unfinished(bundle) is not None:
            return False
        self._n_reads[bundle.witness] = self._n_reads.get(bundle.witness, 0) + 1
        return self._n_reads[bundle.witness] < MOST_READS

    def _finish(self, take: str) -> None:
        """Steps 5 to 7 for the newest row of a take, which is placing."""
        row = self._ledger.last(take)
        if row is None or row.state != "placing":
            return
        work, target = self._work / row.token, self._plan.out / row.take
        try:
            if (work / REPORT_FOLDER).exists():
                refuse_place(target)
        except TakeError as error:
            self._fail(row, str(error))
            return
        put_in_place(work / REPORT_FOLDER, target, work)
        failure_note(self._plan.out, row.take).unlink(missing_ok=True)
        self._plan.on_report(target)
        self._ledger.move(row, "reported", content=row.content, status=row.status, said=row.said)
        self._remove(work)
        self._worst = max(self._worst, row.status or 0)
        verdict, _, troubles = row.said.partition(_AND_TROUBLES)
        for line in troubles.splitlines():  # errors, so said with --quiet too
            self._complain(line)
        for line in verdict.splitlines():
            self._tell(line)
        self._tell(f"  {target / 'report.pdf'}")

    def _fail(self, row: Row, said: str) -> None:
        write_failure(self._plan.out, row.take, said)
        self._ledger.move(row, "failed", content=None, said=said)
        self._remove(self._work / row.token)
        self._worst = NOTHING_REPORTED
        self._complain(f"{row.take}: {said}")

    def _put_off(self, take: str, said: str) -> None:
        self._worst = NOTHING_REPORTED
        self._not_before_s[take] = time.monotonic() + TRY_AGAIN_S
        self._complain(f"{take}: {said}; tried again in {TRY_AGAIN_S:.0f} s")

    def _take_back(self, row: Row) -> None:
        self._ledger.take_back(row)
        self._remove(self._work / row.token)

    # ------------------------------------------------------------ after a crash
    def _resume(self) -> None:
        """Bring to an end what was under way: reports that were whole are placed, others forgotten."""
        for row in self._ledger.rows("placing"):
            if time.monotonic() < self._not_before_s.get(row.take, 0.0):
                continue
            try:
                self._finish(row.take)
            except Exception as error:
                self._put_off(row.take, _told(error))
        for row in self._ledger.rows("measuring"):
            self._ledger.take_back(row)
        placing = {row.token for row in self._ledger.rows("placing")}
        for folder in self._work.iterdir():
            if folder.name not in placing:
                self._remove(folder)

    def _remove(self, folder: Path) -> None:
        # A process of a watch that was killed may still be at it for a moment; what is left goes with the next start.
        shutil.rmtree(folder, ignore_errors=True)


def _in_words(row: Row, outcome: Outcome) -> str:
    lines = [f"{row.take}: {outcome.verdict}", *(f"  {line}" for line in outcome.red_lines)]
    troubles = [f"{row.take}: {t}; what it would have shown is not checked" for t in outcome.troubles]
    return "\n".join(lines) + _AND_TROUBLES + "\n".join(troubles)


def _told(error: Exception) -> str:
    if isinstance(error, (KitproofError, OSError)):
        return str(error)
    return f"this should not happen: {type(error).__name__}: {error}"
