"""Commands of the README and what they print, run in a copy of the demo.

``python -m tests.readme_blocks`` runs them all and writes their output into the README again. A
comment before a block, as in ``<!-- show 12 -->`` or ``<!-- show 4 to -6 -->``, says that only the
first twelve lines, or the first four and the last six, are shown. Blocks of Python (``pycon``) run
one after the other in one namespace, in the same folder.
"""

from __future__ import annotations

import contextlib
import doctest
import io
import os
import re
import shlex
import subprocess
import sys
import warnings
from dataclasses import dataclass
from pathlib import Path

README = Path(__file__).parents[1] / "README.md"
BLOCK = re.compile(
    r"(?P<head>(?:<!-- show (?P<first>\d+)(?: to -(?P<last>\d+))? -->\n)?```console\n)"
    r"(?P<body>.*?)(?P<tail>```\n)",
    re.DOTALL,
)
CUT = "..."
PYTHON = re.compile(r"(?P<head>```pycon\n)(?P<body>.*?)(?P<tail>```\n)", re.DOTALL)


@dataclass(frozen=True)
class Block:
    """One console block: its command, the lines it shows, and how it is cut."""

    command: str
    shown: list[str]
    first: int | None
    last: int | None

    def cut(self, lines: list[str]) -> list[str]:
        """What the README shows of an output."""
        if self.first is None or len(lines) <= self.first + (self.last or 0):
            return lines
        return [*lines[: self.first], CUT, *(lines[-self.last :] if self.last else [])]


def blocks(text: str) -> list[Block]:
    """All console blocks of the README, in order."""
    found = []
    for match in BLOCK.finditer(text):
        body = match["body"].splitlines()
        size = 1
        while body[size - 1].endswith("\\"):
            size += 1
        command = " ".join(line.removesuffix("\\").strip() for line in body[:size])
        found.append(
            Block(
                command=command.removeprefix("$ "),
                shown=body[size:],
                first=int(match["first"]) if match["first"] else None,
                last=int(match["last"]) if match["last"] else None,
            )
        )
    return found


def run(command: str, folder: Path) -> list[str]:
    """Lines that a command prints: its answer, else what it says beside it."""
    words = shlex.split(command)
    assert words[0] == "thermosprout", command
    done = subprocess.run(
        [sys.executable, "-m", "thermosprout", *words[1:]],
        cwd=folder,
        env=os.environ | {"COLUMNS": "80", "THERMOSPROUT_CACHE": str(folder / "cache")},
        capture_output=True,
        text=True,
        timeout=600,
    )
    text = done.stdout if done.stdout.strip() else done.stderr
    lines = [line.rstrip() for line in text.splitlines()]
    while lines and not lines[-1]:
        lines.pop()
    return lines


def python_text(text: str) -> list[str]:
    """Bodies of all Python blocks of the README, in order."""
    return [match["body"] for match in PYTHON.finditer(text)]


def rerun(body: str, names: dict[str, object], folder: Path) -> str:
    """A Python block with what it prints today, run in a folder."""
    lines = []
    with contextlib.chdir(folder):
        for example in doctest.DocTestParser().get_examples(body):
            first, *more = example.source.splitlines()
            lines += [f">>> {first}", *(f"... {line}" for line in more)]
            out = io.StringIO()
            with contextlib.redirect_stdout(out), warnings.catch_warnings():
                warnings.simplefilter("ignore")
                exec(compile(example.source, "<README>", "single"), names)
            lines += [line.rstrip() for line in out.getvalue().splitlines()]
    return "\n".join(lines) + "\n"


def prepare(folder: Path) -> Path:
    """Write the demo and return its folder."""
    run("thermosprout demo --no-plot", folder)
    return folder / "thermosprout-demo"


def main() -> None:
    """Write the output of every command into the README."""
    import tempfile

    with tempfile.TemporaryDirectory() as name:
        folder = prepare(Path(name))
        text = README.read_text(encoding="utf-8")
        queue = iter(blocks(text))

        def fill(match: re.Match[str]) -> str:
            block = next(queue)
            body = match["body"].splitlines()
            kept = body[: len(body) - len(block.shown)]
            lines = block.cut(run(block.command, folder))
            return match["head"] + "\n".join([*kept, *lines]) + "\n" + match["tail"]

        names: dict[str, object] = {}
        text = BLOCK.sub(fill, text)
        text = PYTHON.sub(lambda m: m["head"] + rerun(m["body"], names, folder) + m["tail"], text)
        README.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
