#!/usr/bin/env python3
"""How accurate kitproof is, on takes whose truth is known because they were put together from single hits.

    score.py KIT [--seeds 1 2] [--rates 44100 96000] [--noise -50] [--raise-bleed 20] [--only-mics kick snare-top]
    score.py modelled [--tuning high]

KIT is a folder <instrument>/<nn>-<channel>.flac or .wav, every microphone recorded at once, nn from the softest
up; "modelled" builds the demo's kit as such a folder. For every groove, seed and rate a take is written twice, as
it is and with some channels shifted or inverted, and `kitproof measure` is run on both. Exit status: 0 every goal
is met, 1 one is missed, 2 the kit cannot be used or a take could not be measured.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import numpy as np
from figures import Figure, Outcome, all_figures, findings_in_clean, per_drum, per_take
from grooves import GROOVES, Groove
from hitkit import HitKit, KitError, open_kit
from render import Alteration, Truth, render

from kitproof.demo import NO_PLAN, TakeSpec, load_scenario, set_up, write_kit
from kitproof.roles import DISTANT_ROLES, DRUM_OF_ROLE

MODELLED = "modelled"
MODELLED_KNOWN = ["polarity:snare-bottom"]  # a mic under the drum hears the stroke the other way round
NOISE_DBFS = -78.0
SHIFT_MS = (0.3, 2.5)
N_SHIFTED = N_FLIPPED = 2
MET, MISSED, UNUSABLE = 0, 1, 2


class ProgramError(Exception):
    """kitproof did not measure a take."""


def main(argv: Sequence[str] | None = None) -> int:
    """Score one kit and print the table; returns the exit status."""
    args = _parser().parse_args(argv)
    try:
        with _workplace(args.keep) as work:
            folder = modelled_kit(work / "kit", args.tuning) if args.kit == MODELLED else Path(args.kit).expanduser()
            outcomes = list(_outcomes(args, folder, work))
    except (KitError, ProgramError) as error:
        print(f"score: {error}", file=sys.stderr)
        return UNUSABLE
    figures = all_figures(outcomes)
    print_table(figures, outcomes, args.known + (MODELLED_KNOWN if args.kit == MODELLED else []))
    return MISSED if any(figure.short for figure in figures) else MET


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    names = [groove.name for groove in GROOVES]
    program = Path(sys.executable).with_name("kitproof")
    add = parser.add_argument
    add("kit", metavar="KIT", help='folder of hits, or "modelled"')
    add("--tuning", choices=load_scenario().tunings, default="deep", help="of the modelled kit")
    add("--grooves", nargs="+", choices=names, default=names, metavar="NAME", help=f"of {', '.join(names)}")
    add("--seeds", nargs="+", type=int, default=[1], metavar="N", help="one performance of each groove for each")
    add("--rates", nargs="+", type=int, metavar="HZ", help="default: as the kit was recorded")
    add("--noise", type=float, default=NOISE_DBFS, metavar="DBFS", help="room tone, RMS, default: %(default)s")
    add("--raise-bleed", type=float, default=0.0, metavar="DB", help="other drums louder in every close mic")
    add("--only-mics", nargs="+", default=[], metavar="ROLE", help="a smaller set of mics")
    add("--known", nargs="+", default=[], metavar="CODE:ROLE", help="findings that are true of this kit")
    add("--no-baseline", action="store_true", help="leave the general-purpose onset detector out")
    add("--keep", type=Path, metavar="FOLDER", help="keep takes and measurements in a new folder")
    add("--program", type=Path, default=program, help="default: the kitproof beside this Python")
    return parser


@contextmanager
def _workplace(keep: Path | None) -> Iterator[Path]:
    if keep is None:
        with tempfile.TemporaryDirectory(prefix="kitproof-score-") as folder:
            yield Path(folder)
        return
    try:
        keep.mkdir(parents=True)
    except OSError as error:
        raise KitError(f"{keep}: cannot be made ({error.strerror}); --keep wants a folder that is not there") from error
    yield keep


def modelled_kit(folder: Path, tuning: str) -> Path:
    """Write the demo's kit as single hits."""
    print(f"building the modelled kit, tuned {tuning}: half a minute", file=sys.stderr)
    return write_kit(folder, stage=set_up(TakeSpec(tuning=tuning, plan=NO_PLAN)))


# ---------------------------------------------------------------------------------------- the takes
def _outcomes(args: argparse.Namespace, folder: Path, work: Path) -> Iterator[Outcome]:
    for rate_hz in args.rates or [None]:
        kit = open_kit(folder, rate_hz=rate_hz, only_mics=args.only_mics, raise_bleed_db=args.raise_bleed)
        for groove in (g for g in GROOVES if g.name in args.grooves):
            for seed in args.seeds:
                name = f"{groove.name} {seed}" + (f" {kit.rate_hz} Hz" if len(args.rates or []) > 1 else "")
                print(f"{name} ...", file=sys.stderr, flush=True)
                yield one_outcome(args, kit, groove, seed, work / name)


def one_outcome(args: argparse.Namespace, kit: HitKit, groove: Groove, seed: int, folder: Path) -> Outcome:
    """Render a performance as it is and altered, and measure both."""
    truth = render(kit, groove, seed=seed, folder=folder, noise_dbfs=args.noise)
    measured = measure(args.program, folder)
    baseline = {} if args.no_baseline else baseline_hits(truth, folder)
    other = folder.with_name(f"{folder.name} altered")
    altered = render(kit, groove, seed=seed, folder=other, noise_dbfs=args.noise,
                     alteration=alteration_of(kit, np.random.default_rng([seed, GROOVES.index(groove)])))  # fmt: skip
    altered_measured = measure(args.program, other)
    if args.keep is None:  # takes are large
        for wav in (*folder.glob("*.wav"), *other.glob("*.wav")):
            wav.unlink()
    return Outcome(truth=truth, measured=measured, altered=altered, altered_measured=altered_measured,
                   baseline_s=baseline)  # fmt: skip


def alteration_of(kit: HitKit, rng: np.random.Generator) -> Alteration:
    """Move some distant or second mics, and invert others; the same ones only if there are too few."""
    own = {kit.own_role(drum) for drum in DRUM_OF_ROLE.values()}
    free = [role for role in kit.roles if role in DISTANT_ROLES or (role in DRUM_OF_ROLE and role not in own)]
    if not free:
        return Alteration()
    order = [free[i] for i in rng.permutation(len(free))] * 4
    shifted = order[: min(N_SHIFTED, len(free))]
    flipped = dict.fromkeys(order[len(shifted) : len(shifted) + N_FLIPPED])
    return Alteration(shift_ms={role: float(rng.uniform(*SHIFT_MS)) for role in shifted}, flipped=tuple(flipped))


def measure(program: Path, take: Path) -> dict[str, object]:
    """What `kitproof measure` says about a take.

    Errors: ProgramError if it measured nothing.
    """
    out = take.with_name(f"{take.name}.json")
    try:
        done = subprocess.run(
            [program, "measure", take, "--json", out, "--quiet"], capture_output=True, text=True, check=False
        )
    except OSError as error:
        raise ProgramError(
            f"{program}: cannot be run ({error.strerror}); install kitproof beside this Python"
        ) from error
    if done.returncode not in (0, 1) or not out.is_file():
        raise ProgramError(f"{take.name}: not measured (status {done.returncode}): {done.stderr.strip()}")
    return dict(json.loads(out.read_text("utf-8")))


def baseline_hits(truth: Truth, folder: Path) -> dict[str, list[float]]:
    """Onsets in each drum's own stem by librosa.onset.onset_detect with its default settings, s by drum."""
    import librosa  # slow to load, and not always wanted

    found = {}
    for drum, role in truth.own.items():
        x, rate_hz = librosa.load(folder / truth.files[role], sr=None)
        found[drum] = [float(t) for t in librosa.onset.onset_detect(y=x, sr=rate_hz, units="time")]
    return found


# ---------------------------------------------------------------------------------------- the table
def print_table(figures: Sequence[Figure], outcomes: Sequence[Outcome], known: Sequence[str]) -> None:
    """Figures with goals, F by drum, and what was found in takes as they are."""
    width = max(len(f.name) for f in figures)
    for f in figures:
        print(f"{f.name:<{width}}  {_value(f):>10}  {_goal(f):<12}  {_word(f):<5}  {f.note}".rstrip())
    for title, counts in (("drum", per_drum(outcomes)), ("take", per_take(outcomes))):
        print(f"\nby {title}, F at 25 ms:")
        for name, count in counts.items():
            print(f"  {name:<14} {count.f:.3f}  {count.n_true} struck, {count.n_reported} reported")
    print(f"\nfindings in {len(outcomes)} takes with nothing done to them (fix and look):")
    found = findings_in_clean(outcomes, known)
    for (severity, code, roles), n in found.items():
        print(f"  {severity:<4}  {code}  {roles}  in {n}")
    if not found:
        print("  none")


def _value(f: Figure) -> str:
    return "-" if f.value is None else f"{f.value:.{f.digits}f} {f.unit}".rstrip()


def _goal(f: Figure) -> str:
    if f.at_least is not None:
        return f">= {f.at_least:g} {f.unit}".rstrip()
    return "" if f.at_most is None else f"<= {f.at_most:g} {f.unit}".rstrip()


def _word(f: Figure) -> str:
    if f.short:
        return "short"
    return "" if f.value is None or (f.at_least is None and f.at_most is None) else "ok"


if __name__ == "__main__":
    sys.exit(main())
