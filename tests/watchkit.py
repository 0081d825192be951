"""A watch as a process, and takes for it: three microphones, two seconds."""

from __future__ import annotations

import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import takes

FILES = {"kick.wav": (0.3, 0.9, 1.5), "snare top.wav": (0.6, 1.2), "hi-hat.wav": (0.45, 1.05, 1.65)}
PATIENCE_S = 90.0  # a machine that is busy with other things; on an idle one nothing here takes more than a few seconds


def model_take(folder: Path) -> Path:
    """The take that all others here are copies of."""
    return takes.strokes_take(folder, FILES, seconds=2.0)


def export(model: Path, target: Path) -> Path:
    """A take as an export leaves it: copied, with times of its own."""
    target.mkdir(parents=True, exist_ok=True)
    for file in sorted(model.iterdir()):
        shutil.copyfile(file, target / file.name)
    return target


class Running:
    """`kitproof watch` in the background; a context manager that ends it."""

    def __init__(self, folder: Path, out: Path, *options: str, settle_s: float = 0.8) -> None:
        command = [sys.executable, "-m", "kitproof", "watch", str(folder), "--to", str(out), "--settle", str(settle_s)]
        self._said = out.parent / f"{out.name}-said.txt"
        with self._said.open("ab") as said:
            self.process = subprocess.Popen(
                [*command, "--workers", "1", "--small", *options], stdout=said, stderr=subprocess.STDOUT
            )

    @property
    def said(self) -> str:
        """All that was printed so far, by this watch and those before it."""
        return self._said.read_text("utf-8")

    def __enter__(self) -> Running:
        return self

    def __exit__(self, *_: object) -> None:
        self.process.kill()
        self.process.wait()


def wait_for(condition: Callable[[], object], what: str = "") -> None:
    """Wait until something is true; fail if that takes longer than a busy machine can explain."""
    end_s = time.monotonic() + PATIENCE_S
    while not condition():
        assert time.monotonic() < end_s, f"waited in vain: {what or condition}"
        time.sleep(0.05)


def is_whole(report: Path) -> bool:
    """True if all four files of a report are there and its PDF is complete."""
    names = {p.name for p in report.iterdir() if p.is_file()} if report.is_dir() else set()
    return (
        names == {"report.pdf", "measurements.json", "hits.csv", "pictures.npz"}
        and (report / "report.pdf").read_bytes().rstrip().endswith(b"%%EOF")
    )  # fmt: skip


def n_reports(out: Path, take: str) -> int:
    """Whole reports of a take, earlier ones counted."""
    return sum(is_whole(p.parent) for p in (out / take).rglob("report.pdf"))
