#!/usr/bin/env python3
"""Whether kitproof finds what goes wrong in a session, and keeps still where nothing did.

    faults.py KIT [--strengths 1 0.5 0.33] [--only clipping hum] [--grooves street] [--rates 44100 96000]
    faults.py modelled --line-check          short takes in which every drum is struck a few times alone
    faults.py KIT --no-single --together 3   three faults at once on different channels
    faults.py KIT --no-single --clean 20     takes with nothing wrong

KIT is a folder of single hits or "modelled", as for score.py. Faults are put into rendered takes one by one; each has
a full dose in its own unit and is tried at shares of it. Found is what is named by the right code on the right
channel as fix or look; notes are counted apart. Codes that the program does not have are left out. Exit status: 0 every
full dose was found and no clean take had a finding, 1 not so, 2 the kit cannot be used.
"""

from __future__ import annotations

import argparse
import json
import shutil
import sys
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from itertools import cycle, islice, product
from pathlib import Path
from statistics import median

import numpy as np
from faulttakes import LINE_CHECK, SEVERE, Harm, Play, Seen, Stage, look, set_stage
from grooves import GROOVES
from hitkit import HitKit, KitError, open_kit
from injectors import Fault
from injectors_list import FAULTS
from score import MET, MISSED, MODELLED, MODELLED_KNOWN, NOISE_DBFS, UNUSABLE, modelled_kit

from kitproof.demo import load_scenario
from kitproof.errors import KitproofError
from kitproof.find.registry import CODE_ORDER
from kitproof.run import one_thread

FULL = 1.0
SHARES = {1.0: "full", 0.5: "half", 0.33: "third"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Clean:
    """What was said about a take with nothing wrong."""

    take: str
    false: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One clean take, and all that is tried on it."""

    kit: Path
    play: Play
    noise_dbfs: float
    known: tuple[str, ...]
    harms: tuple[tuple[Harm, ...], ...] = ()


def main(argv: Sequence[str] | None = None) -> int:
    """Run the battery and print its table; returns the exit status."""
    args = _parser().parse_args(argv)
    with tempfile.TemporaryDirectory(prefix="kitproof-faults-") as work:
        try:
            modelled = args.kit == MODELLED
            folder = modelled_kit(Path(work) / "kit", args.tuning) if modelled else Path(args.kit).expanduser()
            args.known += MODELLED_KNOWN if modelled else []
            jobs = list(_jobs(args, folder, open_kit(folder)))
            rows, clean = _run(jobs, args.jobs)
        except (KitError, KitproofError) as error:
            print(f"faults: {error}", file=sys.stderr)
            return UNUSABLE
    print("\n".join(["", *table(rows), "", *clean_lines(clean)]))
    if args.json:
        args.json.write_text(json.dumps({"rows": [asdict(r) for r in rows], "clean": [asdict(c) for c in clean]},
                                        indent=1), "utf-8")  # fmt: skip
    missed = any(r.strength >= FULL and not r.found and r.severity != "usual" for r in rows)
    return MISSED if missed or any(c.false for c in clean) else MET


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    names, codes = [groove.name for groove in GROOVES], sorted({code for f in FAULTS for code in f.codes})
    add = parser.add_argument
    add("kit", metavar="KIT", help='folder of hits, or "modelled"')
    add("--tuning", choices=load_scenario().tunings, default="deep", help="of the modelled kit")
    add("--strengths", nargs="+", type=float, default=list(SHARES), metavar="SHARE", help="of the full dose")
    add("--only", nargs="+", choices=codes, default=codes, metavar="CODE", help="only faults with these codes")
    add("--grooves", nargs="+", choices=names, default=names[:1], metavar="NAME", help=f"of {', '.join(names)}")
    add("--seeds", nargs="+", type=int, default=[1], metavar="N", help="one performance of each groove for each")
    add("--rates", nargs="+", type=int, metavar="HZ", help="default: as the kit was recorded")
    add("--line-check", action="store_true", help="every drum a few times alone instead of a groove")
    add("--no-single", action="store_true", help="leave the faults one by one out")
    add("--together", type=int, default=0, metavar="N", help="also N faults at once on different channels")
    add("--combinations", type=int, default=6, metavar="N", help="takes with faults together, default: %(default)s")
    add("--clean", type=int, default=3, metavar="N", help="takes with nothing wrong, default: %(default)s")
    add("--noise", type=float, default=NOISE_DBFS, metavar="DBFS", help="room tone, RMS, default: %(default)s")
    add("--known", nargs="+", default=[], metavar="CODE:ROLE", help="findings that are true of this kit")
    add("--jobs", type=int, default=1, metavar="N", help="processes")
    add("--json", type=Path, metavar="FILE", help="every row as data")
    return parser


# ------------------------------------------------------------------------------------------- what is tried
def _jobs(args: argparse.Namespace, folder: Path, kit: HitKit) -> Iterator[Job]:
    grooves = [LINE_CHECK] if args.line_check else [g for g in GROOVES if g.name in args.grooves]
    rates = args.rates or [kit.rate_hz]
    common = {"kit": folder, "noise_dbfs": args.noise, "known": tuple(args.known)}
    wanted = [f for f in exist(FAULTS) if set(f.codes) & set(args.only) and (f.line_check or not args.line_check)]
    for groove, seed, rate_hz in product(grooves, args.seeds, rates):
        for click in dict.fromkeys(f.click for f in wanted):
            faults = [f for f in wanted if f.click == click]
            single = [] if args.no_single else [(h,) for h in harms_of(faults, kit.roles, args.strengths)]
            rng = np.random.default_rng([seed, rate_hz])
            several = [] if click else combinations(faults, kit.roles, args.together, args.combinations, rng)
            for part in parts([*single, *several], args.jobs):
                play = Play(groove=groove, seed=seed, rate_hz=rate_hz, click=click)
                yield Job(play=play, harms=tuple(part), **common)
    every = [LINE_CHECK] if args.line_check else GROOVES
    rest = product((s for s in range(11, 99)), every)  # other performances than those that are harmed
    for k, ((seed, groove), rate_hz) in enumerate(islice(zip(rest, cycle(rates), strict=False), args.clean)):
        click = "stem" if k % 4 == 3 else ""
        yield Job(play=Play(groove=groove, seed=seed, rate_hz=rate_hz, click=click), **common)


def exist(faults: Iterable[Fault]) -> list[Fault]:
    """Those whose own code the program has."""
    return [f for f in faults if f.codes[0] in CODE_ORDER]


def harms_of(faults: Iterable[Fault], roles: Sequence[str], strengths: Sequence[float]) -> list[Harm]:
    """Every fault on every channel, or pair, of its list that the kit has, at every strength; a yes or no only once."""
    return [
        Harm(fault=f, role=role, strength=s)
        for f in faults
        for role in f.roles
        if role in roles or f"{role}-left" in roles
        for s in (strengths if f.graded else [FULL])
    ]


def combinations(
    faults: Iterable[Fault], roles: Sequence[str], n: int, takes: int, rng: np.random.Generator
) -> list[tuple[Harm, ...]]:
    """Takes with n different faults at full strength on different channels."""
    single = [h for h in harms_of([f for f in faults if f.shared], roles, [FULL]) if h.role in roles]
    out = []
    for _ in range(takes if n else 0):
        chosen: list[Harm] = []
        for i in rng.permutation(len(single)):
            h = single[int(i)]
            codes = {code for c in chosen for code in c.fault.codes}
            if len(chosen) < n and h.role not in {c.role for c in chosen} and not codes & set(h.fault.codes):
                chosen.append(h)
        out.append(tuple(chosen))
    return out


def parts(items: Sequence[tuple[Harm, ...]], n: int) -> list[list[tuple[Harm, ...]]]:
    """At most n shares of about the same size, none of them empty."""
    return [part for k in range(n) if (part := list(items[k::n]))]


# ------------------------------------------------------------------------------------------------- trying
def _run(jobs: Sequence[Job], n_processes: int) -> tuple[list[Seen], list[Clean]]:
    rows: list[Seen] = []
    clean: list[Clean] = []
    if n_processes > 1:
        with ProcessPoolExecutor(n_processes) as pool:
            done = list(pool.map(run_job, jobs))
    else:
        done = [run_job(job) for job in jobs]
    for seen, still in done:
        rows += seen
        clean += still
    return rows, clean


def run_job(job: Job) -> tuple[list[Seen], list[Clean]]:
    """One take with all that is tried on it; prints a line for each."""
    one_thread()
    with tempfile.TemporaryDirectory(prefix="kitproof-faults-") as folder:
        work = Path(folder)
        stage = set_stage(open_kit(job.kit, rate_hz=job.play.rate_hz), job.play, work, job.noise_dbfs)
        if not job.harms:
            still = Clean(take=stage.folder.name, false=false_alarms(stage, job.known))
            print(f"clean  {still.take}: {', '.join(still.false) or 'nothing'}", flush=True)
            return [], [still]
        seen: list[Seen] = []
        for harms in job.harms:
            rows = look(stage, harms)
            for row in rows:
                print(row_line(row, len(harms)), flush=True)
            seen += rows
        shutil.rmtree(work, ignore_errors=True)
    return seen, []


def false_alarms(stage: Stage, known: Sequence[str]) -> tuple[str, ...]:
    """What a clean take has to show beyond what is true of the kit: CODE:ROLE, on whatever else it is found."""
    said_here = [(f.code, stage.roles_of(f.files)) for f in stage.findings if f.severity in SEVERE]
    return tuple(
        f"{code}:{roles}" for code, roles in said_here if not {f"{code}:{r}" for r in roles.split("+")} & set(known)
    )


# ---------------------------------------------------------------------------------------------- the table
def row_line(r: Seen, n_together: int = 1) -> str:
    """One fault in one take."""
    word = r.severity or "MISSED"
    amount = f"{r.amount:.4g} {r.unit}".strip() if r.unit else ""
    value = (
        "" if r.value is None or r.true_value is None else f"  {r.value:.5g}, true {r.true_value:.5g} {r.value_unit}"
    )
    also = f"  also {', '.join(r.also)}" if r.also else ""
    elsewhere = f"  ELSEWHERE {', '.join(r.elsewhere)}" if r.elsewhere else ""
    many = f" ({n_together} together)" if n_together > 1 else ""
    return f"{word:<6} {r.code:<20} {r.fault:<20} {r.role:<14} {amount:<22} {r.take}{many}{value}{also}{elsewhere}"


def table(rows: Sequence[Seen]) -> list[str]:
    """Markdown: one line per fault."""
    shares = sorted({r.strength for r in rows}, reverse=True)
    heads = [SHARES.get(s, f"{s:g}") for s in shares]
    columns = ["code", "fault", *heads, "weakest always found", "value error, median / worst", "false elsewhere"]
    out = [f"| {' | '.join(columns)} |", "|---" * len(columns) + "|"]
    for code, fault in dict.fromkeys((r.code, r.fault) for r in sorted(rows, key=lambda r: CODE_ORDER.index(r.code))):
        mine = [r for r in rows if r.fault == fault and r.severity != "usual"]
        if mine:
            cells = " | ".join(share_cell([r for r in mine if r.strength == s]) for s in shares)
            false = sum(bool(r.elsewhere) for r in mine)
            out.append(f"| {code} | {fault} | {cells} | {weakest(mine)} | {value_errors(mine)} | {false or ''} |")
    return out


def share_cell(rows: Sequence[Seen]) -> str:
    """How many were found; those that were a mere note apart."""
    notes = sum(r.severity == "note" for r in rows)
    found = sum(r.found for r in rows)
    return "" if not rows else f"{found} of {len(rows)}" + (f" + {notes} note" if notes else "")


def weakest(rows: Sequence[Seen]) -> str:
    """The smallest dose at which, and above which, none was missed."""
    least = ""
    for strength in sorted({r.strength for r in rows}, reverse=True):
        here = [r for r in rows if r.strength == strength]
        if not all(r.found for r in here):
            break
        least = f"{here[0].amount:.3g} {here[0].unit}" if here[0].unit else "yes"
    return least or "none"


def value_errors(rows: Sequence[Seen]) -> str:
    """Of the figures given with findings against the truth."""
    errors = [abs(r.value - r.true_value) for r in rows
              if r.found and r.value is not None and r.true_value is not None and r.value_unit]  # fmt: skip
    return f"{median(errors):.2g} / {max(errors):.2g} {rows[0].value_unit}" if errors else ""


def clean_lines(clean: Sequence[Clean]) -> list[str]:
    """What was said about takes with nothing wrong."""
    if not clean:
        return []
    alarms = [f"  {c.take}: {', '.join(c.false)}" for c in clean if c.false]
    return [f"Takes with nothing wrong: {len(clean)}, with a fix or look: {len(alarms)}", *alarms]


if __name__ == "__main__":
    sys.exit(main())
