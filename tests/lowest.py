"""The lowest releases that ``pyproject.toml`` allows: ``python -m tests.lowest > lowest.txt``.

They are written as constraints for pip, so that the suite can be run on them::

    pip install -c lowest.txt -e '.[test]'

What only checks the code (lint, types) stays at its newest.
"""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

PROJECT = Path(__file__).parent.parent / "pyproject.toml"
_BOUND = re.compile(r"(?P<name>[\w.-]+)(\[[\w,]+\])?>=(?P<lowest>[\d.]+)")
CHECKERS = ("ruff", "mypy", "import-linter", "pandas-stubs", "types-requests")


def lowest() -> dict[str, str]:
    """Name and lowest release of each package that is asked for.

    Raises
    ------
    ValueError
        Where a requirement has no lower bound.
    """
    project = tomllib.loads(PROJECT.read_text(encoding="utf-8"))["project"]
    asked = [*project["dependencies"]]
    for extra in project["optional-dependencies"].values():
        asked += extra
    found = {}
    for requirement in asked:
        if requirement.startswith(f"{project['name']}["):
            continue
        bound = _BOUND.fullmatch(requirement)
        if bound is None:
            raise ValueError(f"{requirement!r} has no lower bound that could be tried")
        if bound["name"] not in CHECKERS:
            found[bound["name"]] = bound["lowest"]
    return found


if __name__ == "__main__":
    for name, release in lowest().items():
        print(f"{name}=={release}")
