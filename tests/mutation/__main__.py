"""Put small faults into an area of the package and see whether its tests notice.

    python -m tests.mutation --trace --out DIR
    python -m tests.mutation --package emergence --sample 150 --seed 1 --out DIR

The first command runs the fast tests once under coverage and keeps which test runs which line; the
second draws faults from all files of an area (by number of possible faults, at least one a file)
and writes one line a fault into ``DIR/PACKAGE-SEED.tsv``. A run that was stopped goes on where
it ended.
"""

from __future__ import annotations

import argparse
import random
import sys
from collections import Counter
from pathlib import Path

from tests.mutation import mutants, trace
from tests.mutation.judging import Verdict, judge, run_forked, warm_up

ROOT = Path(__file__).parents[2]
CAUGHT = ("killed", "timed out")


def sample(found: dict[str, list[mutants.Mutant]], size: int, seed: int) -> list[mutants.Mutant]:
    """Faults drawn from every file in proportion to how many it can get, at least one each."""
    total = sum(len(each) for each in found.values())
    rng = random.Random(seed)
    drawn: list[mutants.Mutant] = []
    for path in sorted(found):
        share = max(1, -(-size * len(found[path]) // total))
        drawn += rng.sample(found[path], min(share, len(found[path])))
    rng.shuffle(drawn)
    return drawn


def _row(verdict: Verdict) -> str:
    m = verdict.mutant
    faulty = mutants.put_in(ROOT, m)
    cells = (verdict.outcome, f"{m.path}:{m.line}", m.kind, faulty.before, faulty.after, verdict.by,
             f"{m.node}.{m.variant}", str(verdict.tests), f"{verdict.seconds:.1f}")  # fmt: skip
    return "\t".join(" ".join(cell.split()) for cell in cells) + "\n"


def _confirm(rows: list[list[str]]) -> list[str]:
    """Tests that killed a fault but fail without one as well."""
    names = sorted({row[5] for row in rows if row[0] == "killed" and "::" in row[5]})
    failing: list[str] = []
    while names:
        outcome, by = run_forked(ROOT, names, None, limit_s=900)
        if outcome == "survived":
            break
        failing.append(by)
        if by not in names:
            break
        names.remove(by)
    return failing


def main() -> None:
    """Read the command line and run the campaign."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.mutation",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument(
        "--trace",
        nargs="*",
        metavar="TESTS",
        help="run the tests under coverage first, all of them or those of the folders named",
    )
    parser.add_argument("--package", help="folder of thermosprout/, such as emergence")
    parser.add_argument("--sample", type=int, default=150, help="faults to draw (default 150)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, required=True, help="folder of the results")
    parser.add_argument("--budget", type=float, default=20.0, metavar="S",
                        help="most seconds of tests a fault (default 20)")  # fmt: skip
    options = parser.parse_args()
    if options.trace is not None:
        trace.run(ROOT, options.out.resolve(), options.trace)
    if not options.package:
        return
    found = {
        path.relative_to(ROOT).as_posix(): mutants.find(ROOT, path.relative_to(ROOT).as_posix())
        for path in sorted((ROOT / "thermosprout" / options.package).rglob("*.py"))
    }
    found = {path: each for path, each in found.items() if each}
    drawn = sample(found, options.sample, options.seed)
    seen = trace.Trace(options.out)
    kept = options.out / f"{options.package}-{options.seed}.tsv"
    rows = [line.split("\t") for line in kept.read_text().splitlines()] if kept.exists() else []
    done = {(row[1].split(":")[0], row[6]) for row in rows}
    warm_up(ROOT)
    for number, mutant in enumerate(drawn, 1):
        if (mutant.path, f"{mutant.node}.{mutant.variant}") in done:
            continue
        verdict = judge(ROOT, seen, mutant, budget_s=options.budget)
        line = _row(verdict)
        with kept.open("a", encoding="utf-8") as file:
            file.write(line)
        rows.append(line.rstrip("\n").split("\t"))
        print(f"\r{number} of {len(drawn)}", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    count = Counter(row[0] for row in rows)
    caught = sum(count[name] for name in CAUGHT)
    total = sum(len(each) for each in found.values())
    print(f"{options.package}: {caught} of {len(rows)} faults noticed ({caught / len(rows):.1%}); "
          f"{dict(count)}; drawn from {total} with seed {options.seed}")  # fmt: skip
    if failing := _confirm(rows):
        print("these tests fail without a fault too: " + ", ".join(failing))


if __name__ == "__main__":
    main()
