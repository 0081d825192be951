"""Results kept by content: never anything else than what measuring gives, and nothing measured without need."""

from __future__ import annotations

import ast
import os
import shutil
from collections.abc import Callable
from concurrent.futures import Executor, ProcessPoolExecutor, ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import kitproof
import takes
from executors import Counting
from kitproof import cache as cache_module
from kitproof import deliver, run, stages
from kitproof.cache import CHANNEL_CODE, REPORT_CODE, TAKE_CODE, Cache, Memory, default_folder, open_cache
from kitproof.caching import from_bytes, to_bytes
from kitproof.cli import main
from kitproof.ingest.take import read_take
from kitproof.model import NoiseBand
from kitproof.run import Result, measure_take

KICK, SNARE, OVER = "kick.wav", "snare top.wav", "overhead.wav"
TIMES = {KICK: [0.4, 1.2, 2.0, 2.8], SNARE: [0.8, 1.6, 2.4, 3.2], OVER: []}
SHEET = '[take]\ntempo_bpm = 75\n\n[[channel]]\nfile = "kick.wav"\nrole = "kick"\n'


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Kick, snare and an overhead, four seconds, with a take.toml."""
    folder = takes.strokes_take(tmp_path_factory.mktemp("small") / "Tidewall take 5", TIMES, seconds=4.0)
    (folder / "take.toml").write_text(SHEET, "utf-8")
    return folder


@pytest.fixture(scope="module")
def reference(small: Path) -> Result:
    """The take measured without any cache."""
    return measure(small, None)


@pytest.fixture(scope="module")
def filled(small: Path, reference: Result, tmp_path_factory: pytest.TempPathFactory) -> Cache:
    """A cache that holds the take; to be copied before it is spoilt."""
    cache = Cache(folder=tmp_path_factory.mktemp("filled") / "kept")
    assert bits(measure(small, cache)) == bits(reference)
    return cache


@pytest.fixture
def copied(filled: Cache, tmp_path: Path) -> Cache:
    """A copy of the cache that holds the take."""
    return Cache(folder=Path(shutil.copytree(filled.folder, tmp_path / "kept")))


@pytest.fixture
def take(small: Path, tmp_path: Path) -> Path:
    """A copy of the take, to be changed; its name is the same."""
    return Path(shutil.copytree(small, tmp_path / small.name))


@pytest.fixture
def _all_settled(monkeypatch: pytest.MonkeyPatch) -> None:
    """Files just written count as settled: no test waits for a clock."""
    monkeypatch.setattr(cache_module, "SETTLED_S", -60.0)


def measure(folder: Path, cache: Cache | None, executor: Executor | None = None) -> Result:
    """Measure in this process."""
    return measure_take(folder, executor or Counting(), strict=True, cache=cache)


def bits(result: Result) -> bytes:
    """Every number and every array of a result, exactly, without where the take lies."""
    m = result.measurements
    return to_bytes((replace(m, take=replace(m.take, folder="")), result.pictures))


# ------------------------------------------------------------------------------------ the same results
def test_a_take_measured_before_is_the_same_to_the_last_bit(small: Path, reference: Result, filled: Cache) -> None:
    """Measurements, findings and pictures, whether they come from the disk or not."""
    again = measure(small, filled)

    assert bits(again) == bits(reference)
    assert again.measurements == reference.measurements


@pytest.mark.usefixtures("_all_settled")
def test_an_unchanged_take_is_neither_measured_nor_read(take: Path, filled: Cache, reference: Result) -> None:
    """The second time no job is asked for: not even the files' hashes are made again."""
    measure(take, filled)
    second = Counting()
    result = measure(take, filled, second)

    assert second.jobs == []
    assert bits(result) == bits(reference)
    assert result.measurements.take.folder == str(take)


def test_only_the_channel_that_changed_is_measured_again(take: Path, copied: Cache) -> None:
    """One sample of the snare: the other channels are remembered, and all together is as if measured anew."""
    takes.alter(take / SNARE)
    jobs = Counting()
    result = measure(take, copied, jobs)

    assert jobs.scanned() == [SNARE]
    assert bits(result) == bits(measure(take, None))


@pytest.mark.usefixtures("_all_settled")
def test_a_change_that_hides_its_time_is_noticed(take: Path, copied: Cache) -> None:
    """Same length, same time of change: the time at which the file's entry was changed gives it away (POSIX ctime)."""
    measure(take, copied)
    before = (take / SNARE).stat()
    takes.alter(take / SNARE)
    os.utime(take / SNARE, ns=(before.st_atime_ns, before.st_mtime_ns))
    jobs = Counting()
    measure(take, copied, jobs)

    assert (take / SNARE).stat().st_size == before.st_size
    assert jobs.scanned() == [SNARE]


def test_a_file_just_written_is_read_again(take: Path, copied: Cache) -> None:
    """It could change again within a tick of its clock, so its hash is not remembered; nothing is measured."""
    measure(take, copied)
    jobs = Counting()
    measure(take, copied, jobs)

    assert set(jobs.jobs) == {"file_sha256"}


def _other_role(take: Path) -> None:
    (take / "take.toml").write_text(SHEET.replace('role = "kick"', 'role = "floor-tom"'), "utf-8")


def _other_tempo(take: Path) -> None:
    (take / "take.toml").write_text(SHEET.replace("75", "150"), "utf-8")


def _other_limits(take: Path) -> None:
    (take / "take.toml").write_text(SHEET + "\n[limits]\nhot_dbfs = -20.0\n", "utf-8")


def _room_limits(take: Path) -> None:
    (take.parent / "kitproof-limits.toml").write_text("hot_dbfs = -20.0\n", "utf-8")


def _other_name(take: Path) -> None:
    (take / OVER).rename(take / "room.wav")


def _fewer(take: Path) -> None:
    (take / OVER).unlink()


@pytest.mark.parametrize("change", [_other_role, _other_tempo, _other_limits, _room_limits, _other_name, _fewer])
def test_what_a_take_says_of_itself_counts_as_its_content(
    take: Path, copied: Cache, change: Callable[[Path], None]
) -> None:
    """Roles, take.toml, limits, names, files: a change of any is a take that was never measured."""
    change(take)
    memory = Memory.of(copied, read_take(take), Counting(), run.versions())

    assert memory.whole() is None


def test_limits_set_above_the_take_give_what_measuring_gives(take: Path, copied: Cache) -> None:
    """Every channel is remembered, and the judgement is that of the new limits."""
    _room_limits(take)
    jobs = Counting()
    result = measure(take, copied, jobs)

    assert jobs.scanned() == []
    assert bits(result) == bits(measure(take, None))


def test_other_versions_have_results_of_their_own(take: Path, filled: Cache) -> None:
    """A library that was exchanged may measure otherwise."""
    known = Memory.of(filled, read_take(take), Counting(), run.versions())
    other = Memory.of(filled, read_take(take), Counting(), run.versions() | {"numpy": "0.0"})

    assert known.whole() is not None
    assert other.whole() is None


# ------------------------------------------------------------------------------------ in doubt, measured
@pytest.mark.parametrize("spoil", [lambda b: b[: len(b) // 2], lambda b: b"", lambda b: b[:40] + b"\xff" + b[41:]])
def test_a_damaged_entry_is_measured_again(
    small: Path, reference: Result, copied: Cache, spoil: Callable[[bytes], bytes]
) -> None:
    """Cut short, emptied or altered in one byte: as good as absent, and mended by measuring."""
    entries = [p for p in copied.folder.rglob("*") if p.is_file()]
    for path in entries:
        path.write_bytes(spoil(path.read_bytes()))
    jobs = Counting()
    result = measure(small, copied, jobs)

    assert len(entries) >= 4  # three channels and the take
    assert sorted(jobs.scanned()) == sorted(TIMES)
    assert bits(result) == bits(reference)
    assert Memory.of(copied, read_take(small), Counting(), run.versions()).whole() is not None


def test_a_stage_that_failed_is_tried_again(
    small: Path, reference: Result, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A take in which something could not be measured is not kept; its channels are."""
    cache = Cache(folder=tmp_path / "kept")
    with monkeypatch.context() as broken:
        broken.setattr(stages, "delay_courses", lambda *a: 1 / 0)
        assert measure_take(small, Counting(), cache=cache).troubles
    jobs = Counting()

    assert bits(measure(small, cache, jobs)) == bits(reference)
    assert jobs.scanned() == []


def test_a_file_that_changes_while_it_is_measured_leaves_nothing(take: Path, tmp_path: Path) -> None:
    """What was hashed is not what was measured."""
    cache = Cache(folder=tmp_path / "kept")
    memory = Memory.of(cache, read_take(take), Counting(), run.versions())
    channel = next(c for c in memory.take.channels if c.file == KICK)
    takes.alter(take / KICK)
    memory.keep_channel(channel, 24, (1, 2))

    assert memory.channel(channel, 24) is None


@pytest.mark.parametrize("where", ["file", "below a file"])
def test_a_folder_that_cannot_be_used_costs_no_result(
    take: Path, reference: Result, tmp_path: Path, where: str
) -> None:
    """Results are the same, only not kept."""
    place = tmp_path / "taken"
    place.write_text("no folder", "utf-8")
    cache = Cache(folder=place if where == "file" else place / "kept")

    assert bits(measure(take, cache)) == bits(reference)
    assert place.read_text("utf-8") == "no folder"


def test_all_code_that_measures_is_in_the_fingerprint() -> None:
    """Every module of the package that measuring a channel, or a take, reaches by its imports is hashed."""
    assert reached("scanning") <= set(CHANNEL_CODE)
    assert reached("run") <= set(TAKE_CODE)
    assert reached("report") <= set(REPORT_CODE)


def reached(module: str) -> set[str]:
    """The parts of the package that a module imports, and what those import, and so on."""
    package = Path(kitproof.__file__).parent
    seen: set[str] = set()
    todo = [module]
    while todo:
        part = todo.pop()
        if part in seen:
            continue
        seen.add(part)
        place = package / part
        files = sorted(place.rglob("*.py")) if place.is_dir() else [place.with_suffix(".py")]
        for file in files:
            for node in ast.walk(ast.parse(file.read_text("utf-8"))):
                if isinstance(node, ast.ImportFrom) and (node.module or "").partition(".")[0] == "kitproof":
                    names = [node.module.split(".")[1]] if "." in (node.module or "") else [a.name for a in node.names]
                    todo += [n for n in names if n != "__version__"]
    return seen


def test_code_newer_than_the_process_switches_the_cache_off(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What runs may not be what lies on the disk by now."""
    monkeypatch.setattr(cache_module, "_STARTED_S", 0.0)
    assert open_cache(tmp_path) is None
    monkeypatch.setattr(cache_module, "_STARTED_S", float("inf"))
    assert open_cache(tmp_path) == Cache(folder=tmp_path)


# ------------------------------------------------------------------------------------ the folder
@pytest.mark.parametrize(
    ("environment", "expected"),
    [
        ({"KITPROOF_CACHE": "/a", "XDG_CACHE_HOME": "/b", "HOME": "/h"}, Path("/a")),
        ({"KITPROOF_CACHE": "", "XDG_CACHE_HOME": "/b", "HOME": "/h"}, Path("/b/kitproof")),
        ({"HOME": "/h"}, Path("/h/.cache/kitproof")),
        ({"KITPROOF_CACHE": "off", "HOME": "/h"}, None),
        ({}, None),
    ],
)
def test_where_results_are_kept(environment: dict[str, str], expected: Path | None) -> None:
    """The user's word first, then the desktop's standard place (XDG Base Directory Specification)."""
    assert default_folder(environment) == expected


def test_nobody_else_may_look_into_the_folder(tmp_path: Path) -> None:
    """What somebody recorded is nobody else's business."""
    Cache(folder=tmp_path / "kept").put("ab" * 32, b"x")

    assert (tmp_path / "kept").stat().st_mode & 0o777 == 0o700


def test_what_was_used_longest_ago_makes_room(tmp_path: Path) -> None:
    """Ten entries of 100 bytes and a limit of 600: the newest stay, and the old one that was just used."""
    cache = Cache(folder=tmp_path / "kept", limit_bytes=600)
    keys = [f"{i:02x}" * 32 for i in range(10)]
    for i, key in enumerate(keys):
        cache.put(key, b"." * 68)  # and 32 of checksum
        os.utime(tmp_path / "kept" / key[:2] / key[2:], (1000.0 + i, 1000.0 + i))
    assert cache.get(keys[0]) is not None
    cache.trim()

    assert [i for i, key in enumerate(keys) if cache.get(key) is not None] == [0, 6, 7, 8, 9]


def test_what_a_dead_process_left_is_cleared_away(tmp_path: Path) -> None:
    """A part as old as an hour; a younger one may still be written."""
    cache = Cache(folder=tmp_path / "kept")
    cache.put("ab" * 32, b"x")
    old, new = (tmp_path / "kept" / "ab" / f"{name}.part" for name in ("old", "new"))
    for path in (old, new):
        path.write_bytes(b"half")
    os.utime(old, (1000.0, 1000.0))
    cache.trim()

    assert (old.exists(), new.exists(), cache.get("ab" * 32)) == (False, True, b"x")


def hammer(folder: Path, seed: int) -> int:
    """Write, read and make room in a hurry; the number of answers that were not whole."""
    cache = Cache(folder=folder, limit_bytes=40_000)
    wrong = 0
    for i in range(120):
        key = f"{(i * seed) % 7:02x}" * 32
        content = key.encode() * 150
        cache.put(key, content)
        wrong += cache.get(key) not in (None, content)
        if i % 5 == 0:
            cache.trim()
    return wrong


def test_two_processes_at_once_do_no_harm(tmp_path: Path) -> None:
    """Nothing half-written is ever read, and no part is left over."""
    with ProcessPoolExecutor(2) as pool:
        wrong = list(pool.map(hammer, [tmp_path / "kept"] * 2, [1, 3]))

    assert wrong == [0, 0]
    assert list((tmp_path / "kept").rglob("*.part")) == []


# ------------------------------------------------------------------------------------ records as bytes
def test_values_come_back_as_they_were() -> None:
    """Types too: NumPy's numbers, tuples beside lists, infinities, halves, records, arrays in Fortran's order."""
    band = NoiseBand(low_hz=20.0, high_hz=np.float64(50.1), level_dbfs=float("-inf"))
    value = (band, [1, 2.5, None, True], {"a": (1,), "b": "\udcff ü"}, np.float32(0.1), np.arange(6, dtype=np.float16))
    again = from_bytes(to_bytes(value))
    matrix = from_bytes(to_bytes(np.asfortranarray(np.eye(3, 4))))

    assert to_bytes(again) == to_bytes(value)
    assert again[:4] == value[:4]
    assert [type(again[0].high_hz), type(again[1]), type(again[3])] == [np.float64, list, np.float32]
    assert (again[4].dtype, matrix.flags.f_contiguous) == (np.float16, True)


@pytest.mark.parametrize("value", [object(), {1, 2}, np.array([object()]), Path("x")])
def test_what_cannot_be_kept_is_refused(value: object) -> None:
    """Rather than kept as something else."""
    with pytest.raises(TypeError, match="kept"):
        to_bytes(value)


@pytest.mark.parametrize(
    ("module", "name"),
    [
        ("subprocess", "Popen"),
        ("kitproof.cache", "secrets"),
        ("kitproof.cache", "open_cache"),
        ("kitproof.model", "No"),
    ],
)
def test_only_records_of_the_package_are_ever_made(module: str, name: str) -> None:
    """Bytes somebody else left start nothing."""
    text = f'{{"record":["{module}","{name}",{{}}]}}'.encode()

    with pytest.raises(ValueError, match=r"record|modules"):
        from_bytes(len(text).to_bytes(8, "big") + text)


# ------------------------------------------------------------------------------------ drawn reports
def test_a_report_drawn_before_is_not_drawn_again(
    reference: Result, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same numbers, pictures and look give the bytes from before; another language or size is drawn."""
    drawn: list[str] = []

    def draw(m: object, pictures: object, path: Path, **look: object) -> None:
        drawn.append(str(look))
        path.write_bytes(f"%PDF {len(drawn)}".encode())

    monkeypatch.setattr(deliver, "write_report", draw)
    cache = Cache(folder=tmp_path / "kept")
    looks: list[dict[str, Any]] = [{}, {}, {"language": "ja"}, {"page_size": "letter"}, {"small": True}, {}]
    pdfs = [deliver.write_all(reference, tmp_path, cache=cache, **look).pdf.read_bytes() for look in looks]
    other = replace(reference, measurements=replace(reference.measurements, hits=()))
    pdfs += [deliver.write_all(other, tmp_path, cache=cache).pdf.read_bytes()]
    pdfs += [deliver.write_all(reference, tmp_path).pdf.read_bytes()]

    assert [int(pdf.split()[1]) for pdf in pdfs] == [1, 1, 2, 3, 4, 1, 5, 6]


# ------------------------------------------------------------------------------------ the command line
@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch, reference: Result) -> list[Cache | None]:
    """The cache that each measuring was given; nothing is measured."""
    given: list[Cache | None] = []

    def stub(folder: Path, executor: Executor, **options: Any) -> Result:
        given.append(options["cache"])
        return reference

    monkeypatch.setattr(run, "measure_take", stub)
    monkeypatch.setattr(cache_module, "_STARTED_S", float("inf"))
    return given


def test_the_command_line_uses_the_cache_unless_told_not_to(
    asked: list[Cache | None], small: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """KITPROOF_CACHE says where; --no-cache measures anew."""
    monkeypatch.setenv("KITPROOF_CACHE", str(tmp_path / "kept"))
    for more in ([], ["--no-cache"]):
        main(["measure", str(small), "--json", str(tmp_path / "m.json"), "--quiet", *more])

    assert asked == [Cache(folder=tmp_path / "kept"), None]


def test_processes_give_the_same_as_the_cache(small: Path, filled: Cache, reference: Result) -> None:
    """What comes out of threads and what is kept is alike, so whoever fills the cache does not matter."""
    with ThreadPoolExecutor(1) as pool:
        assert bits(measure(small, None, pool)) == bits(measure(small, filled)) == bits(reference)
