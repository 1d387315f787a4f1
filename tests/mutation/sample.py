"""Keep a random sample of the mutants of a session: all of them would take days.

Run ``python tests/mutation/sample.py SESSION.sqlite --size 60 --seed 7`` between ``cosmic-ray
init`` and ``cosmic-ray exec``; use a seed that nobody has written tests for.
"""

from __future__ import annotations

import argparse
import random
import sqlite3


def main() -> None:
    """Leave a sample of the session's work items and drop the rest."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("session")
    parser.add_argument("--size", type=int, default=60)
    parser.add_argument("--seed", type=int, default=0)
    options = parser.parse_args()
    with sqlite3.connect(options.session) as session:
        every = "select job_id, operator_name from mutation_specs order by job_id"
        work = list(session.execute(every))
        # Nearly every "|" stands in a type, which nothing runs and no test can see changed.
        jobs = [job for job, operator in work if "Operator_BitOr_" not in operator]
        kept = set(random.Random(options.seed).sample(jobs, min(options.size, len(jobs))))
        rest = [(job,) for job, _ in work if job not in kept]
        session.executemany("delete from mutation_specs where job_id = ?", rest)
        session.executemany("delete from work_items where job_id = ?", rest)
    print(f"{len(kept)} of {len(jobs)} mutants kept")


if __name__ == "__main__":
    main()
