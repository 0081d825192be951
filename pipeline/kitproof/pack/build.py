"""The pack as a folder or a zip: made beside its place, with checksums, and moved there whole."""

from __future__ import annotations

import json
import os
import secrets
import shutil
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

import soundfile as sf

from kitproof.errors import OutputError
from kitproof.ingest.audiofile import file_sha256
from kitproof.model import Measurements, Pictures
from kitproof.pack.guide import Guide, plan_guide, render_guide
from kitproof.pack.midi import TempoMap, tempo_map
from kitproof.pack.sheets import (
    OFFSET_TITLES,
    encoded,
    offset_table,
    recall_table,
    recall_text,
    spare_table,
    spare_text,
)  # fmt: skip
from kitproof.pack.spares import cover
from kitproof.pack.wash import without_cymbals
from kitproof.pack.words import readme
from kitproof.report import PageSize, write_report
from kitproof.saved import dateless_entry, read_pictures, write_pictures
from kitproof.wholefile import whole_file

MANIFEST, SUMS, ORIGINALS = "manifest.json", "SHA256SUMS", "originals.sha256"
MANIFEST_KIND = "kitproof hand-over pack"
_PACKED_ALREADY = (".pdf", ".wav", ".mp3", ".flac")  # deflating them takes long and saves little


def write_pack(
    m: Measurements, pictures: Pictures, to: Path, *, as_zip: bool = False, page: PageSize = "a4", language: str = "en"
) -> Path:
    """Write the hand-over pack of a measured take into `to`; returns the folder or zip, named after the take.

    The take's files are only read. An earlier pack of that name is replaced, nothing else ever is. The same take gives
    the same bytes.

    Raises
    ------
    OutputError : something else is in the way, or the pack cannot be written; nothing is left of it
    StemError : a file of the take cannot be read any more
    """
    target = to / (f"{m.take.name} hand-over" + (".zip" if as_zip else ""))
    _refuse(target, Path(m.take.folder))
    with _staging(to) as part:
        folder = part / f"{m.take.name} hand-over"
        folder.mkdir()
        _fill(folder, m, pictures, page=page, language=language)
        if as_zip:
            with whole_file(target) as file:
                _zip(folder, file)
        else:
            _replace(folder, target)
    return target


def _refuse(target: Path, take: Path) -> None:
    """Raise OutputError where a pack must not go."""
    inside = [target.resolve().parent, *target.resolve().parents]
    if take.resolve() in inside:
        raise OutputError(f"{target}: that is inside the take itself; choose another folder with --to")
    if target.exists() and not _is_pack(target):
        raise OutputError(f"{target}: is there already and is no pack; choose another folder with --to")


def _is_pack(target: Path) -> bool:
    try:
        if target.is_dir():
            return bool(json.loads((target / MANIFEST).read_bytes())["kind"] == MANIFEST_KIND)
        with zipfile.ZipFile(target) as archive:
            return any(name.endswith(f"/{MANIFEST}") for name in archive.namelist())
    except (OSError, ValueError, KeyError, TypeError, zipfile.BadZipFile):
        return False


@contextmanager
def _staging(to: Path) -> Iterator[Path]:
    """A folder of our own beside the target, gone afterwards whatever happens."""
    part = to / f".kitproof-{os.getpid()}-{secrets.token_hex(4)}.part"
    try:
        part.mkdir(parents=True)
        yield part
    except (OSError, sf.LibsndfileError) as error:
        reason = getattr(error, "strerror", None) or error
        raise OutputError(f"{to}: cannot be written ({reason}); make room or choose another folder") from error
    finally:
        shutil.rmtree(part, ignore_errors=True)


def _replace(folder: Path, target: Path) -> None:
    """Move the finished folder to its place; an earlier pack steps aside for as long as that takes."""
    if not target.exists():
        folder.rename(target)
        return
    aside = folder.with_name("before")
    target.rename(aside)
    try:
        folder.rename(target)
    except OSError:
        aside.rename(target)
        raise


# ---------------------------------------------------------------- what is in it
def _fill(folder: Path, m: Measurements, pictures: Pictures, *, page: PageSize, language: str) -> None:
    _write_reports(folder, m, pictures, page=page, language=language)
    offsets, covered = offset_table(m), without_cymbals(cover(m), m, Path(m.take.folder))
    texts = {
        "recall-sheet.csv": recall_table(m).as_csv(),
        "recall-sheet.txt": encoded(recall_text(m)),
        "offsets-and-polarity.csv": offsets.as_csv(),
        "offsets-and-polarity.txt": encoded(offsets.as_text(OFFSET_TITLES)),
        "spare-hits.csv": spare_table(covered).as_csv(),
        "spare-hits.txt": encoded(spare_text(covered)),
    }
    tempo = _tempo(m)
    if tempo is not None:
        texts["tempo-map.mid"] = tempo.content
    for name, content in texts.items():
        (folder / name).write_bytes(content)
    guide = _guide(m, folder)
    names = tuple(sorted([p.name for p in folder.iterdir()] + [SUMS]))
    (folder / "README.txt").write_bytes(encoded(readme(m, guide, tempo, covered, names)))
    _write_sums(folder, m)


def _write_reports(folder: Path, m: Measurements, pictures: Pictures, *, page: PageSize, language: str) -> None:
    kept = folder / "pictures.npz"
    write_pictures(pictures, kept)
    drawn = read_pictures(kept)  # as saved, so that this is the report that `kitproof report` draws
    kept.unlink()
    reports: tuple[tuple[str, PageSize, bool], ...] = (
        ("report.pdf", page, False), ("report-small.pdf", page, True), ("report-phone.pdf", "phone", True),
    )  # fmt: skip
    for name, size, small in reports:
        write_report(m, drawn, folder / name, page_size=size, small=small, language=language)


def _tempo(m: Measurements) -> TempoMap | None:
    grids = [g for g in m.observed.grids if len(g.beats_s) > 1]
    return tempo_map(grids[0], m.take.sections, m.take.song or m.take.name) if grids else None


def _guide(m: Measurements, folder: Path) -> Guide | None:
    plan = plan_guide(m)
    return render_guide(plan, Path(m.take.folder), folder / "guide.wav") if plan.strips else None


# ---------------------------------------------------------------- checksums
def _write_sums(folder: Path, m: Measurements) -> None:
    originals = {f.path: f.sha256 for f in m.take.files}
    known = {path: found for path, found in originals.items() if found is not None}
    (folder / ORIGINALS).write_bytes(_sum_lines(known))
    sums = {p.name: file_sha256(p) for p in folder.iterdir()}
    files = [{"file": name, "bytes": (folder / name).stat().st_size, "sha256": sums[name]} for name in sorted(sums)]
    manifest = {
        "kind": MANIFEST_KIND, "take": m.take.name, "song": m.take.song, "versions": dict(m.versions),
        "originals": [{"file": f.path, "bytes": f.size_bytes, "sha256": f.sha256} for f in m.take.files],
        "files": files,
    }  # fmt: skip
    (folder / MANIFEST).write_bytes(encoded(json.dumps(manifest, indent=1, ensure_ascii=False) + "\n"))
    (folder / SUMS).write_bytes(_sum_lines(sums | {MANIFEST: file_sha256(folder / MANIFEST)}))


def _sum_lines(sums: dict[str, str]) -> bytes:
    r"""Lines that `sha256sum -c` reads.

    Source: GNU coreutils manual, "md5sum invocation": sum, two blanks, name; a name with a backslash or a line end
    has these escaped, and its line begins with a backslash.
    """
    lines = []
    for name, found in sorted(sums.items()):
        escaped = name.replace("\\", "\\\\").replace("\n", "\\n").replace("\r", "\\r")
        lines.append(f"{'' if escaped == name else chr(92)}{found}  {escaped}\n")
    return "".join(lines).encode("utf-8", "surrogateescape")  # names as they are on the disk


# ---------------------------------------------------------------- zip
def _zip(folder: Path, file: BinaryIO) -> None:
    """All files in a folder of the pack's name, sorted, with one date, read in blocks."""
    with zipfile.ZipFile(file, "w") as archive:
        for path in sorted(folder.iterdir()):
            entry = dateless_entry(f"{folder.name}/{path.name}")
            entry.external_attr = 0o644 << 16
            entry.compress_type = zipfile.ZIP_STORED if path.suffix in _PACKED_ALREADY else zipfile.ZIP_DEFLATED
            entry.file_size = path.stat().st_size
            with path.open("rb") as source, archive.open(entry, "w") as goal:
                shutil.copyfileobj(source, goal, 1 << 20)
