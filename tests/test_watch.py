"""The watch as it is used: a process, files that come and go, signals, kills."""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import threading
import time
from dataclasses import asdict
from pathlib import Path
from types import SimpleNamespace

import pytest

import takes
import watchkit
from executors import Counting
from kitproof import cache, run, saved
from kitproof.errors import OutputError
from kitproof.watch import service
from kitproof.watch.child import Making, Outcome
from kitproof.watch.folders import Bundle
from kitproof.watch.hints import Hints, is_on_network
from kitproof.watch.ledger import Ledger
from kitproof.watch.measurer import measure
from kitproof.watch.service import Plan, refuse_folders, watch
from watchkit import Running, is_whole, n_reports, wait_for


@pytest.fixture(scope="module")
def model(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The take that others are copies of."""
    return watchkit.model_take(tmp_path_factory.mktemp("model") / "take")


def grow(model: Path, folder: Path) -> None:
    """Slowly, in any order, each file in pieces with pauses; the last one gets its name at the end."""
    folder.mkdir()
    files = sorted(model.iterdir(), reverse=True)
    for n, file in enumerate(files):
        content = file.read_bytes()
        name = file.name if n < len(files) - 1 else f"{file.name}.part"
        with (folder / name).open("wb") as out:
            for k in range(3):
                out.write(content[k * len(content) // 3 : (k + 1) * len(content) // 3])
                out.flush()
                time.sleep(0.4)
    (folder / name).rename(folder / files[-1].name)


def delete_while_read(folder: Path, out: Path) -> None:
    """As soon as measuring has begun."""
    orders = [p for p in (out / ".kitproof-work").glob("*/order.json") if folder.name in p.read_text("utf-8")]
    if orders:
        shutil.rmtree(folder)


def play_session(model: Path, root: Path) -> SimpleNamespace:
    """One watch through everything that happens in a session, then stopped as a service is."""
    folder, out = root / "takes", root / "reports"
    folder.mkdir()
    with Running(folder, out) as running:
        wait_for(lambda: "watching" in running.said, "the watch to begin")
        slow = threading.Thread(target=grow, args=(model, folder / "slow"))
        slow.start()
        watchkit.export(model, folder / "deleted")
        while (folder / "deleted").exists() and not (out / "deleted").exists():
            delete_while_read(folder / "deleted", out)
            time.sleep(0.01)
        for file in sorted(model.iterdir()):
            shutil.copyfile(file, folder / f"Tidewall take 3 {file.name}")
        (folder / "broken").mkdir()
        (folder / "broken" / "kick.mp3").write_bytes(b"x" * 1000)
        slow.join()
        wait_for(lambda: is_whole(out / "slow") and is_whole(out / "Tidewall take 3"), "two reports")
        wait_for(lambda: (out / "broken-failed.txt").exists(), "a failure note")
        note = (out / "broken-failed.txt").read_text("utf-8")
        first = (out / "slow" / "measurements.json").read_bytes()
        (folder / "slow" / "hi-hat.wav").unlink()  # exported again, with a mic less
        watchkit.export(model, folder / "broken")
        wait_for(lambda: n_reports(out, "slow") == 2 and is_whole(out / "broken"), "the second reports")
        for file in (folder / "slow").iterdir():
            os.utime(file)  # new times, old contents
        before = {take.name: takes.fingerprint(take) for take in folder.iterdir() if take.is_dir()}
        time.sleep(2.0)  # more than twice the settle time
        running.process.send_signal(signal.SIGTERM)
        status = running.process.wait(watchkit.PATIENCE_S)
    return SimpleNamespace(
        folder=folder, out=out, said=running.said, status=status, first=first, note=note, before=before
    )


def test_a_session_is_reported_take_by_take(model: Path, tmp_path: Path) -> None:
    """Slow copies, new exports, failures, deletions and a stop, all in one watch, which is the dear part."""
    session = play_session(model, tmp_path)

    reported_only_when_whole(session, model)
    reported_again_and_the_old_one_kept(session)
    loose_files_are_a_take(session)
    failed_then_tried_again(session)
    deleted_while_read_is_no_failure(session)
    stopped_cleanly(session)


def reported_only_when_whole(session: SimpleNamespace, model: Path) -> None:
    """A slow copy in any order, its last file renamed at its end: one report, of all three files."""
    names = {file.name for file in model.iterdir()}
    assert all(f'"{name}"'.encode() in session.first for name in names)
    assert session.first.count(b'"problem": null') == len(names)


def reported_again_and_the_old_one_kept(session: SimpleNamespace) -> None:
    """The newest in the take's folder, the one before it under its number, byte for byte; new times alone give none."""
    slow = session.out / "slow"
    assert (slow / "earlier" / "1" / "measurements.json").read_bytes() == session.first
    assert b"hi-hat.wav" not in (slow / "measurements.json").read_bytes()
    assert n_reports(session.out, "slow") == 2


def loose_files_are_a_take(session: SimpleNamespace) -> None:
    """Its report names the folder they lie in."""
    text = (session.out / "Tidewall take 3" / "measurements.json").read_text("utf-8")
    assert f'"folder": "{session.folder}"' in text
    assert n_reports(session.out, "Tidewall take 3") == 1


def failed_then_tried_again(session: SimpleNamespace) -> None:
    """The note says what was found; it goes when there is a report."""
    assert "no audio file" in session.note
    assert "kick.mp3" in session.note
    assert is_whole(session.out / "broken")
    assert not (session.out / "broken-failed.txt").exists()


def deleted_while_read_is_no_failure(session: SimpleNamespace) -> None:
    """It was taken away, so nobody asks for it."""
    assert not (session.out / "deleted").exists()
    assert not (session.out / "deleted-failed.txt").exists()


def stopped_cleanly(session: SimpleNamespace) -> None:
    """Status 0, no half-made thing left, nothing written among the takes, every report told of once."""
    assert session.status == 0
    assert list((session.out / ".kitproof-work").iterdir()) == []
    assert {t.name: takes.fingerprint(t) for t in session.folder.iterdir() if t.is_dir()} == session.before
    assert session.said.count("reports/slow/report.pdf") == 2
    assert "Traceback" not in session.said
    with Ledger(session.out) as ledger:
        assert {row.state for row in ledger.rows()} == {"reported", "failed"}


# ------------------------------------------------------------------------------------ kills
def test_killed_at_random_moments_it_reports_each_take_once(model: Path, tmp_path: Path) -> None:
    """`kill -9` a few times, then one run to the end. `make soak` does the same for a quarter of an hour."""
    folder, out = tmp_path / "takes", tmp_path / "reports"
    names = [f"Tidewall take {n}" for n in (1, 2)]
    for name in names:
        watchkit.export(model, folder / name)
    rng = random.Random(5)
    for _ in range(3):
        with Running(folder, out, settle_s=0.2) as running:
            wait_for(lambda: (out / ".kitproof-work").exists() or running.process.poll() is not None)
            time.sleep(rng.uniform(0.0, 2.5))
    with Running(folder, out, "--once", settle_s=0.2) as running:
        assert running.process.wait(watchkit.PATIENCE_S) in (0, 1)

    assert [n_reports(out, name) for name in names] == [1, 1]
    assert list((out / ".kitproof-work").iterdir()) == []
    with Ledger(out) as ledger:
        assert [(row.take, row.state) for row in ledger.rows()] == [(name, "reported") for name in names]


def test_what_a_killed_watch_had_started_ends_with_it(model: Path, tmp_path: Path) -> None:
    """No process goes on measuring for nobody: its lifeline is cut however the watch dies."""
    folder, out = tmp_path / "takes", tmp_path / "reports"
    watchkit.export(model, folder / "take 1")

    def measuring() -> list[str]:
        found = []
        for path in Path("/proc").glob("[0-9]*/cmdline"):
            try:
                line = path.read_bytes()
            except OSError:
                continue
            if b"kitproof.watch.measurer" in line and str(out).encode() in line:
                found.append(path.parent.name)
        return found

    if not Path("/proc/self/cmdline").exists():
        pytest.skip("this system does not list its processes under /proc")
    with Running(folder, out, settle_s=0.2):
        wait_for(measuring, "measuring to begin")
    wait_for(lambda: not measuring(), "the processes to end")


def test_a_measuring_process_that_dies_is_a_failure_of_its_take_alone(model: Path, tmp_path: Path) -> None:
    """Killed from outside, as a system short of memory does: a note, and the watch goes on."""
    folder, out = tmp_path / "takes", tmp_path / "reports"
    watchkit.export(model, folder / "a")
    with Running(folder, out, settle_s=0.2) as running:
        wait_for(lambda: _kill_measurer(running.process.pid), "measuring to begin")
        wait_for(lambda: (out / "a-failed.txt").exists(), "a failure note")
        assert running.process.poll() is None

    assert "was ended by signal 9" in (out / "a-failed.txt").read_text("utf-8")


def _kill_measurer(parent: int) -> bool:
    listed = subprocess.run(["ps", "-o", "pid=", "--ppid", str(parent)], capture_output=True, text=True, check=False)
    for pid in listed.stdout.split():
        os.kill(int(pid), signal.SIGKILL)
    return bool(listed.stdout.split())


# ------------------------------------------------------------------------------------ in this process: cheaper
@pytest.fixture
def measured_already(monkeypatch: pytest.MonkeyPatch) -> None:
    """Measuring takes no time: what becomes of a report is looked at, not what is in it."""

    def make(bundle: Bundle, work: Path, making: Making, is_stopping: object) -> Outcome:
        (work / "report").mkdir()
        for name in ("measurements.json", "hits.csv", "pictures.npz", "report.pdf"):
            (work / "report" / name).write_bytes(f"{name} of {bundle.name} %%EOF".encode())
        return Outcome(kind="measured", verdict="Keep it.", content=bundle.fingerprint)

    monkeypatch.setattr(service, "measure_in_child", make)


@pytest.fixture
def said() -> list[str]:
    """Everything told or complained of."""
    return []


def run_once(folder: Path, out: Path, said: list[str], **options: object) -> int:
    """A watch with --once, in this process; measuring has one of its own all the same."""
    plan = Plan(folder=folder, out=out, settle_s=0.2, making=Making(workers=1, small=True), **options)  # type: ignore[arg-type]
    return watch(plan, said.append, said.append, lambda: False, once=True)


@pytest.mark.usefixtures("measured_already")
def test_once_reports_what_is_there_and_the_next_time_nothing(model: Path, tmp_path: Path, said: list[str]) -> None:
    """For cron: the second run has nothing to do and takes no settle time. A report thrown away stays away."""
    watchkit.export(model, tmp_path / "takes" / "take 1")

    assert run_once(tmp_path / "takes", tmp_path / "reports", said) == 0
    assert is_whole(tmp_path / "reports" / "take 1")
    n_lines = len(said)
    assert run_once(tmp_path / "takes", tmp_path / "reports", said) == 0
    assert len(said) == n_lines


@pytest.mark.usefixtures("measured_already")
@pytest.mark.parametrize("at", ["on_report", "reported"])
def test_a_crash_while_a_report_is_put_in_place_is_made_good(
    model: Path, tmp_path: Path, said: list[str], monkeypatch: pytest.MonkeyPatch, at: str
) -> None:
    """Just before or after what is done with a new report (mail): that is done again, and must bear it; one report."""
    watchkit.export(model, tmp_path / "takes" / "take 1")
    passed_on: list[str] = []

    class Crash(BaseException):
        pass

    def crash(folder: Path) -> None:
        passed_on.append(folder.name)
        raise Crash

    move = Ledger.move

    def crashing_move(self: Ledger, row: object, state: str, **options: object) -> None:
        if state == "reported":
            raise Crash
        move(self, row, state, **options)  # type: ignore[arg-type]

    first = crash if at == "on_report" else lambda folder: passed_on.append(folder.name)
    with monkeypatch.context() as patch:
        if at == "reported":
            patch.setattr(Ledger, "move", crashing_move)
        with pytest.raises(Crash):
            run_once(tmp_path / "takes", tmp_path / "reports", said, on_report=first)
    run_once(tmp_path / "takes", tmp_path / "reports", said, on_report=lambda folder: passed_on.append(folder.name))

    assert passed_on == ["take 1", "take 1"]
    assert n_reports(tmp_path / "reports", "take 1") == 1
    assert list((tmp_path / "reports" / ".kitproof-work").iterdir()) == []


@pytest.mark.usefixtures("measured_already")
def test_recordings_in_the_place_of_a_report_are_left_alone(model: Path, tmp_path: Path, said: list[str]) -> None:
    """A folder of the take's name with stems in it where the report should go: a failure, and not one file moved."""
    watchkit.export(model, tmp_path / "takes" / "take 1")
    watchkit.export(model, tmp_path / "reports" / "take 1")
    before = takes.fingerprint(tmp_path / "reports" / "take 1")

    assert run_once(tmp_path / "takes", tmp_path / "reports", said) == 2
    assert takes.fingerprint(tmp_path / "reports" / "take 1") == before
    assert "is no report" in (tmp_path / "reports" / "take 1-failed.txt").read_text("utf-8")


@pytest.mark.usefixtures("measured_already")
def test_a_place_that_cannot_be_written_to_costs_no_take(
    model: Path, tmp_path: Path, said: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A full disk while a report is put in place: told of, and made good by the next run, once."""
    watchkit.export(model, tmp_path / "takes" / "take 1")
    with monkeypatch.context() as patch:
        patch.setattr(service, "put_in_place", _full)
        assert run_once(tmp_path / "takes", tmp_path / "reports", said) == 2
    assert any("No space left" in line for line in said)

    assert run_once(tmp_path / "takes", tmp_path / "reports", said) == 0
    assert n_reports(tmp_path / "reports", "take 1") == 1


def _full(*_: object) -> None:
    raise OSError(28, "No space left on device")


def test_limits_of_the_room_hold_for_loose_files_too(model: Path, tmp_path: Path) -> None:
    """Those in the watched folder and above it, and the report says where they stand; not those above the reports."""
    folder, work = tmp_path / "room" / "takes", tmp_path / "reports" / "work"
    folder.mkdir(parents=True)
    work.mkdir(parents=True)
    names = [f"Tidewall take 3 {file.name}" for file in sorted(model.iterdir())]
    for name, file in zip(names, sorted(model.iterdir()), strict=True):
        shutil.copyfile(file, folder / name)
    for place, text in (("takes", "hot_dbfs = -7.0"), ("", "hot_dbfs = -8.0\nquiet_dbfs = -44.0")):
        (tmp_path / "room" / place / "kitproof-limits.toml").write_text(text)
    (tmp_path / "reports" / "kitproof-limits.toml").write_text("hot_dbfs = -1.0")
    order = {
        "take": "Tidewall take 3", "folder": str(folder), "is_folder": False, "names": names,
        **asdict(Making(workers=1, small=True)),
    }  # fmt: skip

    assert measure(order, work)["kind"] == "measured"
    text = (work / "report" / "measurements.json").read_text("utf-8")
    assert str(work) not in text  # where it was made is nobody's business, and gone by then
    limits = saved.read_measurements(work / "report" / "measurements.json").take.limits
    mine = {place: dict(values) for place, values in limits.items() if str(tmp_path) in place}
    assert mine == {
        str(tmp_path / "room" / "kitproof-limits.toml"): {"hot_dbfs": -8.0, "quiet_dbfs": -44.0},
        str(folder / "kitproof-limits.toml"): {"hot_dbfs": -7.0},
    }


def test_a_failure_of_loose_files_names_the_folder_they_lie_in(tmp_path: Path) -> None:
    """Not the links by which they were read."""
    (tmp_path / "takes").mkdir()
    (tmp_path / "work").mkdir()
    name = "Tidewall take 3 kick.wav"
    (tmp_path / "takes" / name).write_bytes(b"no audio")
    order = {"take": "Tidewall take 3", "folder": str(tmp_path / "takes"), "is_folder": False, "names": [name]}

    answer = measure(order | asdict(Making(workers=1)), tmp_path / "work")
    assert answer["kind"] == "failed"
    assert answer["said"].startswith(f"{tmp_path / 'takes' / 'Tidewall take 3'}: nothing could be measured; {name}: ")


def test_a_new_export_with_one_other_stem_measures_that_stem_alone(
    model: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The others are remembered, and the report is byte by byte that of a watch with --no-cache."""
    monkeypatch.setenv("KITPROOF_CACHE", str(tmp_path / "kept"))
    monkeypatch.setattr(cache, "_STARTED_S", float("inf"))  # the code is not changed while this runs
    take = watchkit.export(model, tmp_path / "takes" / "take 1")
    jobs: dict[str, Counting] = {}

    def make(name: str, *, is_remembered: bool) -> dict[str, bytes]:
        work, counting = tmp_path / name, Counting()
        work.mkdir()
        jobs[name] = counting
        monkeypatch.setattr(run, "default_executor", lambda n: counting)
        making = asdict(Making(workers=1, small=True, is_remembered=is_remembered))
        names = [file.name for file in take.iterdir()]
        order = {"take": take.name, "folder": str(take), "is_folder": True, "names": names} | making
        assert measure(order, work)["kind"] == "measured"
        return {p.name: p.read_bytes() for p in (work / "report").iterdir()}

    before = make("first", is_remembered=True)
    takes.alter(take / "snare top.wav")
    again, anew = make("again", is_remembered=True), make("anew", is_remembered=False)

    assert sorted(jobs["first"].scanned()) == sorted(jobs["anew"].scanned()) == sorted(watchkit.FILES)
    assert jobs["again"].scanned() == ["snare top.wav"]
    assert again == anew
    assert again["measurements.json"] != before["measurements.json"]


def test_nothing_is_ever_written_into_the_watched_folder(tmp_path: Path) -> None:
    """Reports below it are refused, under whatever name; so is a place for reports that holds the takes."""
    (tmp_path / "takes" / "reports").mkdir(parents=True)
    (tmp_path / "link").symlink_to(tmp_path / "takes" / "reports")

    for out in (tmp_path / "takes", tmp_path / "takes" / "reports", tmp_path / "link", tmp_path):
        with pytest.raises(OutputError, match="--to"):
            refuse_folders(tmp_path / "takes", out)
    refuse_folders(tmp_path / "takes", tmp_path / "other")


def test_two_watches_of_one_place_are_refused(tmp_path: Path, said: list[str]) -> None:
    """The second ends with a line that says so, and status 2 from a shell."""
    (tmp_path / "takes").mkdir()
    (tmp_path / "reports").mkdir()
    with Ledger(tmp_path / "reports"):
        done = subprocess.run(
            [sys.executable, "-m", "kitproof", "watch", tmp_path / "takes", "--to", tmp_path / "reports", "--once"],
            capture_output=True, text=True, check=False,
        )  # fmt: skip

    assert done.returncode == 2
    assert "another kitproof watch writes its reports there" in done.stderr
    assert done.stderr.count("\n") == 1


@pytest.mark.parametrize("poll", [False, True])
def test_a_change_ends_a_wait_where_the_system_tells_of_it(tmp_path: Path, poll: bool) -> None:
    """Reading a file is no change; with --poll the time alone decides."""
    (tmp_path / "kick.wav").write_bytes(b"x")
    with Hints(tmp_path, poll=poll) as hints:
        hints.wait(0.0, lambda: False)
        (tmp_path / "kick.wav").read_bytes()
        began_s = time.monotonic()
        hints.wait(1.0, lambda: False)
        read_s = time.monotonic() - began_s
        (tmp_path / "snare.wav").write_bytes(b"x")
        began_s = time.monotonic()
        hints.wait(30.0 if hints.are_native else 1.0, lambda: False)
        written_s = time.monotonic() - began_s

    assert read_s >= 0.9
    assert written_s < 20.0 if not poll else written_s >= 0.9
    assert hints.are_native is not poll


def test_this_machines_own_folders_are_not_on_the_network(tmp_path: Path) -> None:
    """Nor is a folder that is not there."""
    assert not is_on_network(tmp_path)
    assert not is_on_network(tmp_path / "nowhere")
