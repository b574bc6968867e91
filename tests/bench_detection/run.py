"""The bench of detection: what is found, what is missed, what is raised on clean programme.

    python tests/bench_detection/run.py                        everything, some minutes
    python tests/bench_detection/run.py --part digital --part steps
    python tests/bench_detection/run.py --part clean --minutes 30 --seed 5
    python tests/bench_detection/run.py --part reels --trials 2    complete reels, clean and hurt
    python tests/bench_detection/run.py --case digital:3       one capture again, told in full

Clean programme is made from seeds and kept in the cache folder, so that a second run is quick.
A case (``part:number`` under one seed) can always be made again. Run by hand; not a test.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from bench_detection import beds as make  # noqa: E402
from bench_detection.engine import cases, check, planted  # noqa: E402
from bench_detection.plants import PARTS, Fault, on_reels  # noqa: E402
from bench_detection.scoring import (  # noqa: E402
    Alarms,
    Tally,
    alarm_table,
    misses,
    place_table,
    plain,
    recall_table,
    said,
)

from checks import registry  # noqa: E402
from checks.model import Finding  # noqa: E402

REELS = "reels"
CLEAN = ("clean", "events", "edges", "textbook", "real")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument(
        "--part", action="append", choices=[*CLEAN, REELS, *PARTS], help="default: all"
    )
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--minutes", type=float, default=8.0, help="of clean programme")
    parser.add_argument("--trials", type=int, default=10, help="plants of each fault")
    parser.add_argument("--case", help="one capture again, told in full, e.g. digital:3")
    parser.add_argument("--all-checks", action="store_true", help="not only the fault's own check")
    parser.add_argument("--json", type=Path, help="write the results there as well")
    parser.add_argument(
        "--cache", type=Path, default=Path(tempfile.gettempdir()) / "reelvigil-bench"
    )
    args = parser.parse_args()
    parts = args.part or [*CLEAN, REELS, *PARTS]
    print(f"checks: {[c.name for c in registry.CHECKS]}; seed {args.seed}", flush=True)
    if args.case:
        again(args.case, args)
        return
    alarms = {part: clean_part(part, args) for part in parts if part in CLEAN}
    there = {c.name for c in registry.CHECKS}
    tallies: dict[str, Tally] = {}
    if REELS in parts:
        alarms[REELS], tallies[REELS] = reels_part(args)
    for part in [p for p in parts if p in PARTS]:
        if {f.check for f in PARTS[part]()} <= there:
            tallies[part] = plant_part(part, args)
        else:
            print(f"{part}: its check is not registered")
    if args.json:
        args.json.write_text(json.dumps(plain(tallies, alarms), indent=1), encoding="utf-8")


def clean_part(part: str, args: argparse.Namespace) -> Alarms:
    if part == "clean":
        source = make.clean(args.minutes, args.seed)
    elif part == "events":
        source = make.clean(args.minutes / 3, args.seed, events=True)
    elif part == "textbook":
        source = make.textbook(args.minutes, args.seed)
    else:
        source = make.edges(args.seed) if part == "edges" else make.recordings(args.seed)
    alarms = Alarms()
    spent = 0.0
    for bed in source:
        samples = bed.samples(args.cache)
        began = time.perf_counter()
        alarms.add(bed, check(bed, samples))
        spent += time.perf_counter() - began
    tell(part, alarms)
    print(f"  checking took {spent:.1f} s", flush=True)
    return alarms


def tell(part: str, alarms: Alarms) -> None:
    print("\n".join(alarm_table(f"false alarms, {part}", alarms)))
    for kind, seen in alarms.seen.items():
        print(f"  {kind}")
        print("\n".join(f"    {line}" for line in seen[:8]))


def reels_part(args: argparse.Namespace) -> tuple[Alarms, Tally]:
    """Each reel is made once, checked as it is, and with what is dealt to it; none is kept."""
    dealt: dict[make.Bed, list[tuple[str, list[Fault]]]] = defaultdict(list)
    for case, bed, faults in case_list(REELS, args):
        dealt[bed].append((case, faults))
    alarms, tally = Alarms(), Tally()
    try:
        for bed in make.reels(args.minutes, args.seed):
            clean = bed.made()
            before = check(bed, clean)
            alarms.add(bed, before)
            for case, faults in dealt[bed]:
                samples, plantings = planted(clean, bed, faults, args.seed, case)
                tally.add(bed, case, plantings, check(bed, samples, ["dropouts"]), before)
            print(f"{bed.name}: {dict(alarms.counts)}", file=sys.stderr)
    except KeyboardInterrupt:
        print("reels: interrupted, what follows is a part of it")
    tell(REELS, alarms)
    print("\n".join([*place_table(tally), "", *misses(tally)]), flush=True)
    return alarms, tally


def case_list(part: str, args: argparse.Namespace) -> Iterator[tuple[str, make.Bed, list[Fault]]]:
    if part != REELS:
        return cases(part, args.seed, args.trials)
    beds = list(make.reels(args.minutes, args.seed))
    return cases(part, args.seed, args.trials, beds, on_reels())


def plant_part(part: str, args: argparse.Namespace) -> Tally:
    before: dict[str, list[Finding]] = {}
    tally = Tally()
    try:
        for case, bed, faults in cases(part, args.seed, args.trials):
            only = None if args.all_checks else [faults[0].check]
            clean = bed.samples(args.cache)
            if bed.key() not in before:
                before[bed.key()] = check(bed, clean, only)
            samples, plantings = planted(clean, bed, faults, args.seed, case)
            tally.add(bed, case, plantings, check(bed, samples, only), before[bed.key()])
            print(f"{case} {bed.name}", file=sys.stderr)
    except KeyboardInterrupt:
        print(f"{part}: interrupted, what follows is a part of it")
    print("\n".join([*recall_table(tally), "", *misses(tally)]), flush=True)
    return tally


def again(case: str, args: argparse.Namespace) -> None:
    """One case made again and told in full."""
    for name, bed, faults in case_list(case.split(":")[0], args):
        if name != case:
            continue
        clean = bed.made()
        samples, plantings = planted(clean, bed, faults, args.seed, case)
        print(repr(bed))
        for p in sorted(plantings, key=lambda p: p.start):
            print(f"planted {p.fault.label}: frame {p.start} ({p.start / bed.rate_hz:.4f} s) for "
                  f"{p.frames}, tracks {list(p.tracks)}, {p.sigma:.1f} sigma")  # fmt: skip
        for title, x in (("clean", clean), ("damaged", samples)):
            for finding in check(bed, x, None if args.all_checks else [faults[0].check]):
                print(f"{title}: {said(finding, bed)}\n    {finding.text}")
        return
    raise SystemExit(f"no case {case} with seed {args.seed} and {args.trials} trials")


if __name__ == "__main__":
    main()
