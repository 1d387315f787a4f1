"""Appends counts until it is killed, saying each one after it has been confirmed."""

from __future__ import annotations

import sys
from pathlib import Path

from thermosprout.trials.records.append import append_records


def row(number: int, plots: int) -> dict[str, str]:
    """One count; each plot is counted once a day and rises by one."""
    day, plot = divmod(number, plots)
    stamp = f"{2000 + day // 300}-{1 + day // 25 % 12:02}-{1 + day % 25:02}"
    return {"plot": f"P{plot}", "inspected": stamp, "emerged": str(day)}


def main(path: str, first: int, last: int, plots: int, batch: int = 1) -> None:
    """Append counts ``first`` to ``last``, a few at a time."""
    for start in range(first, last, batch):
        numbers = range(start, min(start + batch, last))
        append_records(Path(path), [row(number, plots) for number in numbers])
        sys.stdout.write("".join(f"{number}\n" for number in numbers))
        sys.stdout.flush()


if __name__ == "__main__":
    main(sys.argv[1], *(int(word) for word in sys.argv[2:]))
