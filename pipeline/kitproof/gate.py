"""A gate for takes in a build: does a take pass, and the answer as JUnit XML, workflow annotations and Markdown.

What fails is a finding at or above the level asked for; what could not be measured is never called passed.

Sources
-------
JUnit: the element and attribute names of the format that the Ant task writes and build servers read (testsuites,
testsuite, testcase, failure, error, system-out); one failure a testcase, as its schema has it.
Annotations: GitHub's documented workflow commands, `::error file=...,title=...::message`; in them %, CR and LF are
percent-encoded, in properties : and , too.
"""

from __future__ import annotations

import os
import re
import xml.etree.ElementTree as ET
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from kitproof.model import Channel, Finding, Measurements
from kitproof.saved import read_measurements

Level = Literal["fix", "look"]
LEVELS: tuple[Level, ...] = ("fix", "look")
PASSES, FAILS, NOT_MEASURED = 0, 1, 2
WORDS = {PASSES: "passes", FAILS: "fails", NOT_MEASURED: "not measured in full"}
_NO_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")  # XML 1.0, production 2 (Char)
_MARKDOWN = re.compile(r"([\\`*_{}\[\]<>#|~])")


@dataclass(frozen=True, slots=True, kw_only=True)
class Gated:
    """One take before the gate: what was measured, or why nothing was."""

    name: str
    measurements: Measurements | None
    trouble: str = ""  # why there are no measurements

    def failing(self, level: Level) -> tuple[Finding, ...]:
        """The findings at or above a level, what is to fix first."""
        wanted = LEVELS[: LEVELS.index(level) + 1]
        found = () if self.measurements is None else self.measurements.findings
        return tuple(f for severity in wanted for f in found if f.severity == severity)

    def missing(self) -> tuple[Channel, ...]:
        """The channels of the take that could not be measured."""
        if self.measurements is None:
            return ()
        measured = {c.file for c in self.measurements.channels}
        return tuple(c for c in self.measurements.take.channels if c.file not in measured)

    def failed_stages(self) -> tuple[str, ...]:
        """What else could not be measured, and why."""
        m = self.measurements
        return () if m is None else tuple(f"{n.check}: {n.reason}" for n in m.not_checked if n.code == "stage")

    def status(self, level: Level) -> int:
        """PASSES, FAILS or NOT_MEASURED; whatever was not measured outweighs what was found."""
        if self.measurements is None or self.missing() or self.failed_stages():
            return NOT_MEASURED
        return FAILS if self.failing(level) else PASSES

    def why_not(self) -> str:
        """What could not be measured, in a line; "" if everything was."""
        if self.measurements is None:
            return _one_line(self.trouble)
        problem = {f.path: f.problem_text for f in self.measurements.take.files}
        channels = [problem.get(c.path) or f"{c.file}: could not be measured" for c in self.missing()]
        return _one_line("; ".join([*dict.fromkeys(channels), *self.failed_stages()]))


def read_saved(path: Path) -> Gated:
    """A take that was measured before. Raises SavedError if it cannot be read."""
    m = read_measurements(path)
    return Gated(name=m.take.name, measurements=m)


def lines(gated: Gated, level: Level) -> list[str]:
    """What is said about one take: whether it passes, and what was found; `why_not` says what was not measured."""
    status, failing = gated.status(level), gated.failing(level)
    counted = _counted(failing)
    if gated.measurements is None:
        return []
    said = [f"{gated.name}: {WORDS[status]}{f', {counted}' if counted else ''}"]
    said += [f"  {f.severity}: {f.message} {f.action}".rstrip() for f in failing]
    return [_one_line(line) for line in said]


def _counted(found: Sequence[Finding]) -> str:
    n = {severity: sum(f.severity == severity for f in found) for severity in LEVELS}
    parts = [f"{n['fix']} to fix"] * bool(n["fix"]) + [f"{n['look']} to look at"] * bool(n["look"])
    return ", ".join(parts)


def _one_line(text: str) -> str:
    return " ".join(text.split("\n")).replace("\r", " ")


# ---------------------------------------------------------------- JUnit
def junit(takes: Sequence[Gated], level: Level) -> bytes:
    """A testsuite per take; in it a testcase for the take as a whole and one per channel.

    A finding stands at its first channel, one without a channel at the take. The same takes give the same bytes.
    """
    root = ET.Element("testsuites", {"name": "kitproof"})
    suites = [_suite(root, gated, level) for gated in takes]
    for key in ("tests", "failures", "errors"):
        root.set(key, str(sum(int(suite.get(key, "0")) for suite in suites)))
    ET.indent(root)
    return bytes(ET.tostring(root, encoding="utf-8", xml_declaration=True)) + b"\n"


def _suite(root: ET.Element, gated: Gated, level: Level) -> ET.Element:
    suite = ET.SubElement(root, "testsuite", {"name": _xml(gated.name), "time": "0"})
    m = gated.measurements
    channels = () if m is None else m.take.channels
    missing = {c.file for c in gated.missing()}
    at: dict[str | None, list[Finding]] = {}
    for f in gated.failing(level):
        known = f.files and f.files[0] in {c.file for c in channels}
        at.setdefault(f.files[0] if known else None, []).append(f)
    case = _case(suite, gated, "the take", "")
    if m is None or gated.failed_stages():
        _error(case, gated.trouble if m is None else "; ".join(gated.failed_stages()))
    else:
        _failure(case, at.get(None, []))
    for c in channels:
        case = _case(suite, gated, c.label or c.file, c.path)
        if c.file in missing:
            _error(case, _problem(gated, c))
        else:
            _failure(case, at.get(c.file, []))
    _count(suite)
    if m is not None:
        open_checks = [f"not checked: {n.check}: {n.reason}" for n in m.not_checked]
        ET.SubElement(suite, "system-out").text = _xml("\n".join([m.verdict.sentence, *open_checks]))
    return suite


def _case(suite: ET.Element, gated: Gated, name: str, path: str) -> ET.Element:
    names = {"name": _xml(name), "classname": _xml(gated.name), "time": "0"}
    return ET.SubElement(suite, "testcase", names | ({"file": _xml(path)} if path else {}))


def _failure(case: ET.Element, found: Sequence[Finding]) -> None:
    if not found:
        return
    more = f" (and {len(found) - 1} more)" if len(found) > 1 else ""
    failure = ET.SubElement(case, "failure", {"message": _xml(found[0].message + more), "type": found[0].code})
    failure.text = _xml("\n".join(f"{f.severity}: {f.message} {f.action}".rstrip() for f in found))


def _error(case: ET.Element, why: str) -> None:
    ET.SubElement(case, "error", {"message": _xml(why), "type": "not-measured"}).text = _xml(why)


def _problem(gated: Gated, c: Channel) -> str:
    files = () if gated.measurements is None else gated.measurements.take.files
    return next((f.problem_text for f in files if f.path == c.path and f.problem_text), f"{c.file}: not measured")


def _count(suite: ET.Element) -> None:
    cases = suite.findall("testcase")
    suite.set("tests", str(len(cases)))
    suite.set("failures", str(sum(case.find("failure") is not None for case in cases)))
    suite.set("errors", str(sum(case.find("error") is not None for case in cases)))


def _xml(text: str) -> str:
    """Without the characters that XML 1.0 cannot hold, however they are escaped."""
    return _NO_XML.sub("\ufffd", text)


# ---------------------------------------------------------------- annotations
def workflow_commands(takes: Sequence[Gated], level: Level, environment: Mapping[str, str] | None = None) -> list[str]:
    """Workflow commands: an error for what fails the check, a warning for what is only to be looked at."""
    found = os.environ if environment is None else environment
    here = Path(found.get("GITHUB_WORKSPACE") or ".").resolve()
    said = []
    for gated in takes:
        m = gated.measurements
        if m is None or gated.why_not():
            said.append(_command("error", {"title": f"{gated.name}: not measured"}, gated.why_not()))
        if m is None:
            continue
        failing = gated.failing(level)
        for f in gated.failing("look"):
            kind = "error" if f in failing else "warning"
            channel = next((c for c in m.take.channels if c.file in f.files[:1]), None)
            where = {} if channel is None else {"file": _from_here(Path(m.take.folder) / channel.path, here)}
            said.append(_command(kind, where | {"title": f"{gated.name}: {f.severity}"}, f"{f.message} {f.action}"))
    return said


def _command(kind: str, properties: Mapping[str, str], message: str) -> str:
    said = ",".join(f"{name}={_property(value)}" for name, value in properties.items())
    return f"::{kind} {said}::{_data(message)}"


def _data(text: str) -> str:
    return text.strip().replace("%", "%25").replace("\r", "%0D").replace("\n", "%0A")


def _property(text: str) -> str:
    return _data(text).replace(":", "%3A").replace(",", "%2C")


def _from_here(path: Path, here: Path) -> str:
    """As the repository calls a file, if it lies in there."""
    full = path.resolve()
    return full.relative_to(here).as_posix() if full.is_relative_to(here) else path.as_posix()


# ---------------------------------------------------------------- Markdown
def markdown(takes: Sequence[Gated], level: Level) -> str:
    """A table of all takes, then what was found in each that does not pass; to be appended to a job's summary."""
    statuses = [gated.status(level) for gated in takes]
    n_passed = statuses.count(PASSES)
    parts = [f"## Drum takes: {n_passed} of {len(takes)} {'passes' if n_passed == 1 else 'pass'}\n"]
    parts.append("| Take | Result | To fix | To look at | In words |\n|---|---|---|---|---|")
    for gated, status in zip(takes, statuses, strict=True):
        m = gated.measurements
        n = {s: "" if m is None else str(sum(f.severity == s for f in m.findings)) for s in LEVELS}
        words = gated.trouble if m is None else m.verdict.sentence
        parts.append(f"| {_md(gated.name)} | {WORDS[status]} | {n['fix']} | {n['look']} | {_md(words)} |")
    for gated, status in zip(takes, statuses, strict=True):
        if status != PASSES:
            parts.append(_details(gated, level))
    return "\n".join(parts) + "\n"


def _details(gated: Gated, level: Level) -> str:
    m = gated.measurements
    labels = {} if m is None else {c.file: c.label or c.file for c in m.take.channels}
    rows = [
        f"| {f.severity} | {_md(', '.join(labels.get(file, file) for file in f.files))} | {_md(f.message)} "
        f"| {_md(f.action)} |"
        for f in gated.failing(level)
    ]
    head = ["| | Channel | What was found | What to do |", "|---|---|---|---|"] if rows else []
    why = gated.why_not()
    return "\n".join([f"\n### {_md(gated.name)}\n", *([f"Not measured: {_md(why)}\n"] if why else []), *head, *rows])


def _md(text: str) -> str:
    return _MARKDOWN.sub(r"\\\1", _one_line(text))
