"""Clean takes, what is usually found in them, and the same takes with something done to them.

A take is measured in this process. Jobs are pure functions of files and numbers, so a job whose files and numbers
have not changed since the clean take is answered from memory: a take with one channel changed costs one channel.
"""

from __future__ import annotations

import io
import os
import pickle
import shutil
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import Executor, Future
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import soundfile as sf
from grooves import COUNT_IN_S, Groove
from hitkit import HitKit
from injectors import Damage, Fault, Scene, Signal
from render import Truth, render

from kitproof.model import Finding, Measurements
from kitproof.run import measure_take

SEVERE = ("fix", "look")
CLICK_FILE = "99 click.wav"
FOREIGN_SEED = 1000  # added to the seed: another performance of the same music
SPREAD_DB = 0.5  # even a steady drummer's peaks; strokes that all end at one height would look like a ceiling
Key = tuple[str, str]  # code and file

# Every drum a few times alone, soft and hard, as an engineer asks for before a take; then the cymbals.
LINE_CHECK = Groove(
    name="line check",
    tempo_bpm=75.0,
    bars=tuple(
        {instrument: "m.f.A..." if "crash" not in instrument else "f......."}
        for instrument in ("kick", "snare", "hi-hat", "rack-tom-1", "rack-tom-2", "rack-tom-3", "floor-tom", "ride",
                           "crash-left", "crash-right")
    ),
)  # fmt: skip


# ------------------------------------------------------------------------------------------------ measuring
class Memory(Executor):
    """Runs every job at once in this process; the same job on the same files is answered from memory.

    A file is known by its inode, size and time of writing: hard links to it are the same file.
    """

    def __init__(self) -> None:
        self._known: dict[bytes, bytes] = {}
        self._kept: dict[bytes, bytes] = {}

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """The job's result, or its error, in a future that is done."""
        done: Future[Any] = Future()
        try:
            key = _key(fn, args, kwargs)
            if key not in self._known:
                self._known[key] = pickle.dumps(fn(*args, **kwargs), protocol=5)
            done.set_result(pickle.loads(self._known[key]))
        except Exception as error:
            done.set_exception(error)
        return done

    def keep(self) -> None:
        """Everything known by now stays."""
        self._kept = dict(self._known)

    def forget(self) -> None:
        """Drop what was learned since."""
        self._known = dict(self._kept)


class _Pickler(pickle.Pickler):
    """Paths stand for what is in the file."""

    def persistent_id(self, obj: Any) -> Any:
        if isinstance(obj, Path) and obj.is_file():
            facts = obj.stat()
            return (facts.st_dev, facts.st_ino, facts.st_size, facts.st_mtime_ns)
        return None


def _key(fn: Callable[..., Any], args: Sequence[Any], kwargs: Mapping[str, Any]) -> bytes:
    out = io.BytesIO()
    pickler = _Pickler(out, protocol=5)
    pickler.fast = True  # equal arguments shall look equal, whether or not they share parts
    pickler.dump((fn, tuple(args), dict(kwargs)))
    return out.getvalue()


# --------------------------------------------------------------------------------------------- clean takes
@dataclass(frozen=True, slots=True, kw_only=True)
class Play:
    """What is played: a groove, by whom, at which rate, and with a click in the headphones or without."""

    groove: Groove
    seed: int
    rate_hz: int
    click: str = ""

    @property
    def name(self) -> str:
        """Short, and different for different plays."""
        return f"{self.groove.name} {self.seed} {self.rate_hz}{' click ' + self.click if self.click else ''}"


@dataclass(kw_only=True)
class Stage:
    """A clean take on disk and in memory, with what is found in it."""

    folder: Path
    work: Path
    truth: Truth
    scene: Scene
    memory: Memory
    usual: frozenset[Key] = frozenset()
    findings: tuple[Finding, ...] = ()
    files: Mapping[str, str] = field(default_factory=dict)  # role -> file

    def roles_of(self, files: Iterable[str]) -> str:
        """Files as roles, for printing."""
        role = {file: r for r, file in self.files.items()}
        return "+".join(role.get(f, f) for f in files) or "take"


def set_stage(kit: HitKit, play: Play, work: Path, noise_dbfs: float) -> Stage:
    """Render the clean take and measure it."""
    folder = work / play.name
    groove = replace(play.groove, tempo_spread=0.0) if play.click else play.groove
    truth = render(kit, groove, seed=play.seed, folder=folder, noise_dbfs=noise_dbfs, spread_db=SPREAD_DB)
    stems = {role: _read(folder / file) for role, file in truth.files.items()}
    n = len(next(iter(stems.values())))
    click = click_track(n, play.rate_hz, play.groove.tempo_bpm) if play.click else None
    files = dict(truth.files)
    if click is not None:
        notes = folder / "take.toml"
        extra = ""
        if play.click == "stem":
            files["click"] = CLICK_FILE
            sf.write(folder / CLICK_FILE, click, play.rate_hz, subtype="PCM_24")
            extra = f'\n[[channel]]\nfile = "{CLICK_FILE}"\nrole = "click"\n'
        head = f"[take]\ntempo_bpm = {play.groove.tempo_bpm}\n\n"
        notes.write_text(head + notes.read_text("utf-8") + extra, "utf-8")
    stage = Stage(
        folder=folder, work=work, truth=truth, memory=Memory(), files=files,
        scene=Scene(rate_hz=play.rate_hz, stems=stems, hits_s=truth.hits_s, arrival_ms=truth.arrival_ms, click=click,
                    foreign=_foreign(kit, groove, play, work, noise_dbfs)),
    )  # fmt: skip
    stage.findings = measured(stage, folder).findings
    stage.usual = keys(stage.findings)
    stage.memory.keep()
    return stage


def click_track(n: int, rate_hz: int, tempo_bpm: float) -> Signal:
    """(n,) ticks of 1.5 kHz on every beat from the first bar on, the first of four louder."""
    t = np.arange(round(0.02 * rate_hz)) / rate_hz
    tick = np.sin(2 * np.pi * 1500.0 * t) * np.exp(-t / 0.004)
    out = np.zeros(n)
    for k, at in enumerate(np.arange(COUNT_IN_S, n / rate_hz - 0.1, 60.0 / tempo_bpm)):
        out[round(at * rate_hz) :][: len(tick)] += (0.7 if k % 4 == 0 else 0.45) * tick
    return out


def _foreign(kit: HitKit, groove: Groove, play: Play, work: Path, noise_dbfs: float) -> Callable[[str], Signal]:
    def stem(role: str) -> Signal:
        folder = work / f"{play.name} foreign"
        if not folder.exists():
            render(
                kit, groove, seed=play.seed + FOREIGN_SEED, folder=folder, noise_dbfs=noise_dbfs, spread_db=SPREAD_DB
            )
        return _read(next(folder.glob(f"* {role}.wav")))

    return stem


def _read(path: Path) -> Signal:
    return np.asarray(sf.read(path, dtype="float64")[0])


def keys(findings: Iterable[Finding]) -> frozenset[Key]:
    """(code, file) of everything that asks for a decision."""
    return frozenset((f.code, file) for f in findings if f.severity in SEVERE for file in f.files or ("",))


def measured(stage: Stage, folder: Path) -> Measurements:
    """Measure a take; a stage of the program that fails is an error here."""
    return measure_take(folder, stage.memory, strict=True).measurements


# -------------------------------------------------------------------------------------------- harmed takes
@dataclass(frozen=True, slots=True, kw_only=True)
class Harm:
    """One fault on one channel, at a share of its full dose."""

    fault: Fault
    role: str
    strength: float

    @property
    def amount(self) -> float:
        """In the fault's unit. Too soft, and half of it, is half as much softer."""
        return self.fault.full * self.strength if self.fault.graded else self.fault.full


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What was said about one fault in one take."""

    take: str
    fault: str
    code: str
    role: str
    strength: float
    amount: float
    unit: str
    severity: str  # "fix", "look", "note"; "usual" if the clean take has it too; empty: missed
    value: float | None
    true_value: float | None
    value_unit: str
    also: tuple[str, ...]  # other codes on the harmed channels
    elsewhere: tuple[str, ...]  # new fix and look on channels nobody touched

    @property
    def found(self) -> bool:
        """Somebody would have acted on it."""
        return self.severity in SEVERE


def harm(stage: Stage, harms: Sequence[Harm], rng_seed: int) -> tuple[Path, list[Damage]]:
    """Write the take with all of it done to it: changed files anew, the others as hard links."""
    scene, damages = stage.scene, []
    for k, h in enumerate(harms):
        damage = h.fault.inject(scene, h.role, h.amount, np.random.default_rng([rng_seed, k]))
        scene = replace(scene, stems={**scene.stems, **damage.stems})
        damages.append(damage)
    folder = stage.work / "harmed"
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    for role in {role for d in damages for role in d.stems}:
        rate_hz = next((d.rate_hz[role] for d in damages if role in d.rate_hz), scene.rate_hz)
        subtype = next((d.subtype[role] for d in damages if role in d.subtype), "PCM_24")
        path = folder / stage.files[role]
        sf.write(path, np.clip(scene.stems[role], -1.0, 1.0), rate_hz, subtype=subtype)
        for d in damages:
            if role in d.spoil:
                d.spoil[role](path)
    for source in stage.folder.iterdir():
        if not (folder / source.name).exists():
            os.link(source, folder / source.name)
    return folder, damages


def look(stage: Stage, harms: Sequence[Harm]) -> list[Seen]:
    """Do it, measure it, and say for every fault whether it was found."""
    folder, damages = harm(stage, harms, rng_seed=len(stage.folder.name))
    findings = measured(stage, folder).findings
    stage.memory.forget()
    harmed = {stage.files[r] for d in damages for r in d.roles}
    right = {code for h in harms for code in h.fault.codes}
    elsewhere = [
        f for f in fresh(stage, findings) if not harmed & set(f.files) and not (f.code in right and not f.files)
    ]
    return [
        Seen(
            take=stage.folder.name, fault=h.fault.name, code=h.fault.codes[0], role=h.role, strength=h.strength,
            amount=h.amount, unit=h.fault.unit, value_unit=h.fault.value_unit, true_value=d.value,
            also=tuple(said(stage, f) for f in fresh(stage, findings)
                       if f.code not in h.fault.codes and {stage.files[r] for r in d.roles} & set(f.files)),
            elsewhere=tuple(said(stage, f) for f in elsewhere),
            **answer(stage, findings, h.fault, {stage.files[r] for r in d.roles}),
        )
        for h, d in zip(harms, damages, strict=True)
    ]  # fmt: skip


def answer(stage: Stage, findings: Sequence[Finding], fault: Fault, files: set[str]) -> dict[str, Any]:
    """Severity and value of the best finding that names the fault on one of the channels."""
    fitting = [f for f in findings if f.code in fault.codes and (files & set(f.files) or not f.files)]
    if not fitting:
        return {"severity": "", "value": None}
    new = [f for f in fitting if f.severity == "note" or f in fresh(stage, fitting)]
    if not new:
        return {"severity": "usual", "value": fitting[0].value}
    best = min(new, key=lambda f: (("fix", "look", "note").index(f.severity), fault.codes.index(f.code)))
    return {"severity": best.severity, "value": best.value}


def fresh(stage: Stage, findings: Iterable[Finding]) -> list[Finding]:
    """Fix and look that the clean take does not have."""
    return [f for f in findings if f.severity in SEVERE and keys([f]) - stage.usual]


def said(stage: Stage, f: Finding) -> str:
    """One finding in a few letters."""
    return f"{f.code}:{stage.roles_of(f.files)}"
