"""Appends counts until it is killed, saying each one after it has been confirmed."""

from __future__ import annotations

import sys
from pathlib import Path

from thermosprout.trials.records import append_records


def main(path: str, first: int, last: int, plots: int) -> None:
    for number in range(first, last):
        day, plot = divmod(number, plots)
        stamp = f"{2000 + day // 300}-{1 + day // 25 % 12:02}-{1 + day % 25:02}"
        append_records(Path(path), [{"plot": f"P{plot}", "inspected": stamp, "emerged": str(day)}])
        sys.stdout.write(f"{number}\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main(sys.argv[1], *(int(word) for word in sys.argv[2:]))
