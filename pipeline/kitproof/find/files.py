"""Files: can they be read, are they whole, and do they fit together?

The yardstick is the majority. Where no value has one, every file is named and nobody is blamed.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Hashable, Iterator, Mapping, Sequence
from typing import TypeVar

from kitproof.find.evidence import Evidence
from kitproof.find.texts import listed, seconds
from kitproof.model import FileFacts, Finding, Severity

K = TypeVar("K", bound=Hashable)
CODE_OF_PROBLEM = {
    "unreadable": "unreadable-file", "empty": "unreadable-file",
    "truncated": "truncated-file", "damaged": "damaged-file",
}  # fmt: skip
USUAL_RATES_HZ = (44100, 48000, 88200, 96000)
EXPORT_AGAIN = "Copy or export this file again from the recorder before it is wiped, and compare the sizes."


def findings_of(e: Evidence) -> Iterator[Finding]:
    """Broken files, then what sets one file apart from the others."""
    yield from _broken(e)
    whole = [f for f in e.take.files if f.problem is None]
    flagged = _wrong_flags(e, whole)
    yield from (_wrong_flag(e, f, rate) for f, rate in flagged)
    whole = [f for f in whole if all(f is not g for g, _ in flagged)]
    yield from _odd_rates(e, whole)
    yield from _odd_depths(e, whole)
    yield from _short_words(e)
    yield from _odd_starts(e, whole)
    yield from _odd_lengths(e, whole)


def _broken(e: Evidence) -> Iterator[Finding]:
    for f in e.take.files:
        if f.problem is None:
            continue
        files = e.files_of_path(f.path)
        what = {
            "unreadable": "could not be read as audio", "empty": "holds no audio",
            "truncated": "ends before its header says it should", "damaged": "is damaged inside",
        }[f.problem]  # fmt: skip
        value = _missing_s(f) if f.problem == "truncated" else None
        missing = "" if value is None else f": {seconds(value)} are missing"
        reason = f" ({f.problem_text.rstrip('.')})" if f.problem_text and value is None else ""
        yield Finding(
            code=CODE_OF_PROBLEM[f.problem], severity="fix", files=files,
            message=f"The file of {listed(e.labels(files))} {what}{missing}{reason}.", action=EXPORT_AGAIN,
            value=value, unit="" if value is None else "s",
            else_maybe="" if f.problem != "truncated" else "A recorder that lost power before it closed the file.",
        )  # fmt: skip


def _missing_s(f: FileFacts) -> float | None:
    if f.declared_frames is None or f.n_frames is None or not f.rate_hz:
        return None
    return (f.declared_frames - f.n_frames) / f.rate_hz


def majority(values: Mapping[str, K]) -> K | None:
    """The value that more than half have; None if there is none."""
    if not values:
        return None
    value, n = Counter(values.values()).most_common(1)[0]
    return value if 2 * n > len(values) else None


def _wrong_flags(e: Evidence, whole: Sequence[FileFacts]) -> list[tuple[FileFacts, int]]:
    """Files whose header lies about the rate, with the rate they were recorded at.

    As many frames as the others under another rate; or the usual rate, but as long as a file of another rate is
    that was recorded for the same time.
    """
    usual = majority({f.path: (f.rate_hz, f.n_frames) for f in whole if f.rate_hz and f.n_frames})
    if usual is None or usual[0] is None or usual[1] is None:
        return []
    rate_hz, n_frames = usual
    found = []
    for f in whole:
        if not f.rate_hz or not f.n_frames:
            continue
        off = e.limits["length_tolerance_frames"]
        if f.rate_hz != rate_hz and abs(f.n_frames - n_frames) <= off:
            found.append((f, rate_hz))
        for true_hz in USUAL_RATES_HZ:
            expected = n_frames * true_hz / rate_hz
            near = abs(f.n_frames - expected) <= off + e.limits["flag_tolerance"] * n_frames
            if f.rate_hz == rate_hz != true_hz and near:
                found.append((f, true_hz))
    return found


def _wrong_flag(e: Evidence, f: FileFacts, true_hz: int) -> Finding:
    files = e.files_of_path(f.path)
    said = f.rate_hz or 0
    way = "fast and high" if said > true_hz else "slow and low"
    return Finding(
        code="rate-flag", severity="fix", files=files,
        message=f"{e.head(*files)}: the header says {said} Hz, but its length fits {true_hz} Hz: it plays too {way}.",
        action=f"Set the rate in this file's header to {true_hz} Hz, without converting it, and listen to it with the "
        "others; then convert it if they run at another rate.",
        value=float(true_hz), unit="Hz", confidence=0.8,
        else_maybe="A file that is longer or shorter by just this ratio by chance.",
    )  # fmt: skip


def _odd_rates(e: Evidence, whole: Sequence[FileFacts]) -> Iterator[Finding]:
    rates = {f.path: f.rate_hz for f in whole if f.rate_hz}
    yield from _odd(e, rates, "Hz", "sample rate", "fix")


def _odd_depths(e: Evidence, whole: Sequence[FileFacts]) -> Iterator[Finding]:
    depths = {f.path: f.bit_depth for f in whole if f.bit_depth}
    yield from _odd(e, depths, "bits", "word length", "look")


def _odd(e: Evidence, values: Mapping[str, int], unit: str, what: str, severity: Severity) -> Iterator[Finding]:
    if len(set(values.values())) < 2:
        return
    usual = majority(values)
    for value in sorted(set(values.values()) - {usual}):
        paths = [path for path, v in values.items() if v == value]
        files = tuple(file for path in paths for file in e.files_of_path(path))
        rest = f"the others have {usual} {unit}" if usual is not None else "the files do not agree"
        yield Finding(
            code="format-mismatch", severity=severity, files=files,
            message=f"The {what} of {listed(e.labels(files))} is {value} {unit}; {rest}.",
            action="Export all files again from the session with one setting; do not convert single files.",
            value=float(value), unit=unit,
            else_maybe="Only the number in the header is wrong, and it plays at another pitch." if unit == "Hz" else "",
        )  # fmt: skip


def _short_words(e: Evidence) -> Iterator[Finding]:
    used = {c.file: c.used_bits for c in e.channels if c.used_bits is not None}
    low = e.limits["low_bits"]
    short = [f for f, bits in used.items() if bits <= low and ((e.facts(f) or _NO_FACTS).bit_depth or 0) > low]
    if short and len(short) < len(used):
        yield Finding(
            code="format-mismatch", severity="note", files=tuple(short),
            message=f"{e.head(*short)}: the file has room for more, but only {low:.0f} bits are ever used.",
            action="Ask whether this file was converted on the way, and take the original.",
            value=low, unit="bits", else_maybe="A converter that only has so many bits.", confidence=0.8,
        )  # fmt: skip


_NO_FACTS = FileFacts(path="", size_bytes=0, sha256=None)


def _odd_starts(e: Evidence, whole: Sequence[FileFacts]) -> Iterator[Finding]:
    starts = {
        f.path: f.time_reference_frames / f.rate_hz
        for f in whole if f.time_reference_frames is not None and f.rate_hz
    }  # fmt: skip
    if len(starts) < 2:
        return
    usual = sorted(starts.values())[len(starts) // 2]
    tolerance = e.limits["start_tolerance_s"]
    for path, start in starts.items():
        if abs(start - usual) <= tolerance:
            continue
        files = e.files_of_path(path)
        word = "later" if start > usual else "earlier"
        yield Finding(
            code="length-mismatch", severity="fix", files=files,
            message=f"{e.head(*files)}: its time stamp lies {seconds(abs(start - usual))} {word} "
            "than that of the others.",
            action="Export all files again from one common start.", value=start - usual, unit="s", confidence=0.9,
            else_maybe="The stamp alone is wrong, or the program that imports it honours it.",
        )  # fmt: skip


def _odd_lengths(e: Evidence, whole: Sequence[FileFacts]) -> Iterator[Finding]:
    lasting = {f.path: f.n_frames / f.rate_hz for f in whole if f.rate_hz and f.n_frames}
    if len(lasting) < 2:
        return
    slack = e.limits["length_tolerance_frames"] / min(f.rate_hz for f in whole if f.rate_hz)
    usual = _usual_length(list(lasting.values()), slack)
    if usual is None:
        yield _no_usual_length(e, lasting)
        return
    for path, length in lasting.items():
        if abs(length - usual) > 1.01 * slack:
            yield _odd_length(e, path, length - usual)


def _usual_length(lengths: Sequence[float], slack: float) -> float | None:
    for length in sorted(lengths):
        if 2 * sum(abs(other - length) <= 1.01 * slack for other in lengths) > len(lengths):
            return length
    return None


def _no_usual_length(e: Evidence, lasting: Mapping[str, float]) -> Finding:
    files = tuple(file for path in lasting for file in e.files_of_path(path))
    spread = max(lasting.values()) - min(lasting.values())
    return Finding(
        code="length-mismatch", severity="fix" if spread > e.limits["length_fix_s"] else "look", files=files,
        message=f"The files have no common length: they differ by up to {seconds(spread)}.",
        action="Export all files again with one common start and end.", value=spread, unit="s",
    )  # fmt: skip


def _odd_length(e: Evidence, path: str, difference: float) -> Finding:
    files = e.files_of_path(path)
    size = abs(difference)
    severity: Severity = "fix" if size > e.limits["length_fix_s"] else "look"
    if size < e.limits["length_look_s"]:
        severity = "note"
    started = _starts_with_the_others(e, files)
    where = "It starts with the others, so the difference lies at its end." if started else ""
    return Finding(
        code="length-mismatch", severity=severity, files=files,
        message=f"{e.head(*files)} is {seconds(size)} {'shorter' if difference < 0 else 'longer'} than the "
        f"others. {where}".rstrip(),
        action="Export this file again from the session with the same start and end as the others.",
        value=difference, unit="s", else_maybe="" if started else "It may start elsewhere: nothing shows where.",
    )  # fmt: skip


def _starts_with_the_others(e: Evidence, files: Sequence[str]) -> bool:
    """Whether this channel hears a drum, or the others hear its drum, when a mic of the same start would."""
    near = e.limits["late_room_ms"]
    seen = [p for p in e.pairs if (p.a in files) != (p.b in files) and e.known_delay(p)]
    return bool(seen) and all(p.delay_ms is not None and abs(p.delay_ms) < near for p in seen)
