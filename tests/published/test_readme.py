"""The table of checks names every test of this folder, and no other."""

from __future__ import annotations

import re
from pathlib import Path

HERE = Path(__file__).parent


def test_the_table_names_every_check() -> None:
    rows = re.findall(r"^\| `(test_\w+)` \|", (HERE / "README.md").read_text("utf-8"), re.M)
    tests = [
        name
        for path in sorted(HERE.glob("test_*.py"))
        if path.name != Path(__file__).name
        for name in re.findall(r"^def (test_\w+)", path.read_text("utf-8"), re.M)
    ]
    assert sorted(rows) == sorted(tests)
    assert len(rows) == len(set(rows)) >= 40
