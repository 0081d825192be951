"""What is written for one take, and where: every file whole or not at all, never over the take itself."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from kitproof import saved
from kitproof.cache import Cache, report_key
from kitproof.comparison import Comparison
from kitproof.errors import OutputError
from kitproof.ingest.sheet import write_sheet
from kitproof.ingest.words import AUDIO_SUFFIXES
from kitproof.model import Measurements, Pictures, Result
from kitproof.report import PageSize, write_comparison_report, write_report
from kitproof.report.wording import languages
from kitproof.wholefile import whole_file

__all__ = [
    "Written", "languages", "make_folder", "refuse_same_names", "refuse_target", "render_saved", "saved_measurements",
    "write_all", "write_comparison", "write_demo", "write_json", "write_sheet",
]  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """The files of one report."""

    pdf: Path
    json: Path
    hits: Path
    pictures: Path


def write_all(
    result: Result,
    out: Path,
    *,
    page_size: PageSize = "a4",
    small: bool = False,
    language: str = "en",
    cache: Cache | None = None,
) -> Written:
    """Write report.pdf, measurements.json, hits.csv and pictures.npz into `out`/<name of the take>.

    language : of the report, one of `languages()`; the other files are the same in every language
    cache : where drawn reports are kept; one that was drawn before is not drawn again
    """
    take = result.measurements.take
    folder = out / take.name
    if folder.resolve() == Path(take.folder).resolve():
        raise OutputError(f"{folder}: this is the take itself; choose another folder with -o")
    make_folder(folder)
    files = Written(
        pdf=folder / "report.pdf", json=folder / "measurements.json",
        hits=folder / "hits.csv", pictures=folder / "pictures.npz",
    )  # fmt: skip
    saved.write_measurements(result.measurements, files.json)
    saved.write_pictures(result.pictures, files.pictures)
    saved.write_hits_csv(result.measurements, files.hits)
    pictures = saved.read_pictures(files.pictures)  # as saved, so that `render` draws the same report later
    if cache is None:
        write_report(result.measurements, pictures, files.pdf, page_size=page_size, small=small, language=language)
        return files
    look = {"page_size": page_size, "small": small, "language": language}
    key = report_key(result.measurements, pictures, look)
    if (drawn := cache.get(key)) is not None:
        with whole_file(files.pdf) as file:
            file.write(drawn)
    else:
        write_report(result.measurements, pictures, files.pdf, page_size=page_size, small=small, language=language)
        cache.put(key, files.pdf.read_bytes())
    return files


def make_folder(folder: Path, option: str = "-o") -> None:
    """Make a folder and those above it, if they are not there. OutputError, which names the option, if that fails."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(
            f"{folder}: cannot be made ({error.strerror}); choose another folder with {option}"
        ) from error


def render_saved(
    measurements: Path, pdf: Path, *, page_size: PageSize = "a4", small: bool = False, language: str = "en"
) -> None:
    """Draw the report from saved measurements, and from the pictures beside them if they are there.

    Raises
    ------
    SavedError : the measurements or pictures cannot be read
    OutputError : the report cannot be written
    """
    pictures = measurements.with_name("pictures.npz")
    drawn = saved.read_pictures(pictures) if pictures.exists() else Pictures(channels=(), hits=())
    write_report(saved.read_measurements(measurements), drawn, pdf, page_size=page_size, small=small, language=language)


def saved_measurements(path: Path) -> Path | None:
    """measurements.json that a path means: the file itself, or that of a report's folder; None for anything else."""
    if path.is_file():
        return path
    inside = path / "measurements.json"
    stems = path.is_dir() and any(p.suffix.lower() in AUDIO_SUFFIXES for p in path.iterdir())
    return inside if inside.is_file() and not stems else None


def write_comparison(
    comparison: Comparison,
    takes: Sequence[Measurements],
    out: Path,
    *,
    page_size: PageSize = "a4",
    language: str = "en",
) -> tuple[Path, Path]:
    """Write comparison.pdf and comparison.json into `out`, which is made if it is not there.

    takes : the measurements that were compared, in the comparison's order

    Raises
    ------
    OutputError : `out` is one of the takes, or cannot be written to
    """
    if any(out.resolve() == Path(m.take.folder).resolve() for m in takes):
        raise OutputError(f"{out}: this is one of the takes; choose another folder with -o")
    make_folder(out)
    pdf, json = out / "comparison.pdf", out / "comparison.json"
    saved.write_comparison(comparison, json)
    write_comparison_report(comparison, takes, pdf, page_size=page_size, language=language)
    return pdf, json


def write_json(result: Result, path: Path) -> None:
    """Write the measurements alone."""
    saved.write_measurements(result.measurements, path)


def refuse_target(take: Path, target: Path) -> None:
    """Raise OutputError, before anything is measured, if a result must not or cannot be written there."""
    if target.exists() and (target.suffix.lower() in AUDIO_SUFFIXES or _lies_in(target, take)):
        raise OutputError(f"{target}: this is a recording or belongs to the take; choose another name for the result")
    if not target.parent.is_dir():
        raise OutputError(f"{target}: there is no folder {target.parent}; make it, or choose another one")


def _lies_in(target: Path, take: Path) -> bool:
    return target.parent.resolve() == take.resolve() and target.suffix.lower() != ".json"


def refuse_same_names(takes: Sequence[Path]) -> None:
    """Raise OutputError if two takes of one name would be written over one another."""
    by_name: dict[str, Path] = {}
    for take in takes:
        first = by_name.setdefault(take.resolve().name, take)
        if first is not take:
            raise OutputError(f"{first} and {take}: two takes of one name; report them into folders of their own (-o)")


def write_demo(folder: Path) -> list[Path]:
    """Build the demo takes; returns their folders."""
    from kitproof.demo import build_demo  # the one command that needs the modelled kit, and libraries for signals

    build_demo(folder)
    return sorted(p for p in folder.iterdir() if p.is_dir())
