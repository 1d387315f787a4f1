"""Where a key of a TOML file stands, so that a message can name its line."""

from __future__ import annotations

import re
from collections.abc import Sequence

Path = tuple[str | int, ...]

_TABLE = re.compile(r"^\s*\[(?!\[)\s*([^\]]+?)\s*\]")
_ARRAY = re.compile(r"^\s*\[\[\s*([^\]]+?)\s*\]\]")
_KEY = re.compile(r"^(\s*)((?:[A-Za-z0-9_-]+|\"[^\"]*\"|'[^']*')(?:\s*\.\s*[A-Za-z0-9_-]+)*)\s*=")


def key_places(text: str) -> dict[Path, tuple[int, int]]:
    """Line and column, counted from one, of each table and key of a TOML text.

    Entries of an array of tables carry their index, as in ``("rows", 2, "depth_cm")``.
    """
    places: dict[Path, tuple[int, int]] = {(): (1, 1)}
    counts: dict[Path, int] = {}
    prefix: Path = ()
    closing: str | None = None
    # TOML ends a line with a line feed; str.splitlines knows more ends than that.
    for number, line in enumerate(text.split("\n"), start=1):
        if closing is not None:
            if closing in line:
                closing = None
            continue
        if match := _ARRAY.match(line):
            name = _parts(match[1])
            index = counts.get(name, 0)
            counts[name] = index + 1
            prefix = (*name, index)
            places.setdefault(name, (number, 1))
            places[prefix] = (number, line.index("[") + 1)
        elif match := _TABLE.match(line):
            prefix = _inside(_parts(match[1]), counts)
            places.setdefault(prefix, (number, line.index("[") + 1))
        elif match := _KEY.match(line):
            path = (*prefix, *_parts(match[2]))
            places.setdefault(path, (number, len(match[1]) + 1))
            rest = line[match.end() :].strip()
            for quote in ('"""', "'''"):
                if rest.startswith(quote) and quote not in rest[3:]:
                    closing = quote
    return places


def nearest_place(
    places: dict[Path, tuple[int, int]], path: Sequence[str | int]
) -> tuple[int, int]:
    """Place of the path, or of the closest thing that holds it."""
    key = tuple(path)
    while key not in places and key:
        key = key[:-1]
    return places.get(key, (1, 1))


def _parts(dotted: str) -> Path:
    return tuple(part.strip().strip("\"'") for part in dotted.split("."))


def _inside(name: Path, counts: dict[Path, int]) -> Path:
    """Give a sub-table of an array's last entry that entry's index."""
    for cut in range(len(name), 0, -1):
        if name[:cut] in counts:
            return (*name[:cut], counts[name[:cut]] - 1, *name[cut:])
    return name
