"""Every command on the terminals people have: ASCII, cp1252, 30 columns, and none at all.

What is printed there is what a wide terminal in UTF-8 shows, in plainer signs: the words and the
numbers are the same, the command ends with the same code.
"""

from __future__ import annotations

import io
import re
import shutil
import sys
import unicodedata
import warnings
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.cli.test_help import LEAVES, words_of
from thermosprout.cli.app import main
from thermosprout.files import demo_folder

TERMINALS = {30: ("ascii", "cp1252"), 0: ("ascii",)}
"""Columns, and the encodings whose words are compared with those of UTF-8."""


@dataclass(frozen=True)
class Answer:
    """What a command printed, and the code it ended with."""

    code: int
    out: str
    notes: str

    def words(self) -> set[str]:
        """Words and numbers, without accents."""
        signs = (s for s in unicodedata.normalize("NFKD", self.out) if not unicodedata.combining(s))
        plain = "".join(s if s.isascii() else " " for s in signs)
        return set(re.findall(r"[A-Za-z]{3,}|\d+", plain))


def run(
    words: list[str], encoding: str, columns: int, folder: Path, patch: pytest.MonkeyPatch
) -> Answer:
    """Run a command on a fresh demo, its streams in an encoding."""
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(demo_folder(), folder / "demo")
    for variable in ("HOME", "XDG_CACHE_HOME", "XDG_DATA_HOME", "XDG_CONFIG_HOME"):
        patch.setenv(variable, str(folder))
    patch.setenv("COLUMNS", str(columns))
    patch.chdir(folder / "demo")
    out, notes = (io.TextIOWrapper(io.BytesIO(), encoding=encoding) for _ in "12")
    code = 0
    with patch.context() as streams:
        streams.setattr(sys, "argv", ["thermosprout", *words])
        for name, stream in (("stdin", io.StringIO("")), ("stdout", out), ("stderr", notes)):
            streams.setattr(sys, name, stream)
        with warnings.catch_warnings(record=True) as caught:
            warnings.simplefilter("default")
            try:
                main()
            except SystemExit as end:
                code = int(end.code or 0)
    texts = []
    for stream in (out, notes):
        stream.flush()
        texts.append(stream.buffer.getvalue().decode(encoding))  # type: ignore[attr-defined]
    leaked = [w for w in caught if issubclass(w.category, UserWarning | RuntimeWarning)]
    assert not leaked, f"{words}: {leaked[0].message}"
    return Answer(code, *texts)


QUICK = ("crops", "lot", "method", "stations", "window", "trial analyse", "soil cache")


@pytest.mark.parametrize(
    "command",
    [name if name in QUICK else pytest.param(name, marks=pytest.mark.slow) for name in LEAVES],
)
def test_every_example_runs_on_a_narrow_terminal_without_accents(
    command: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    words, code = words_of(command)
    here = run(words, "ascii", 30, tmp_path / "run", monkeypatch)
    assert here.code == code, here.notes[-2000:]
    assert "should not have happened" not in here.notes
    assert here.out.strip() or "Wrote" in here.notes or code
    assert "?" not in here.out.replace("? ", " ").replace("?\n", " "), "a sign has no plainer form"


@pytest.mark.slow
@pytest.mark.parametrize("command", LEAVES)
def test_every_terminal_shows_the_same_words(
    command: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    words, code = words_of(command)
    for columns, encodings in TERMINALS.items():
        whole = run(words, "utf-8", columns, tmp_path / "run", monkeypatch)
        assert whole.code == code, whole.notes[-2000:]
        for encoding in encodings:
            here = run(words, encoding, columns, tmp_path / "run", monkeypatch)
            assert here.code == code, here.notes[-2000:]
            missing = whole.words() - here.words()
            assert not missing, f"{encoding}, {columns} columns: {sorted(missing)}"
            assert here.out.count("?") <= whole.out.count("?"), "a sign has no plainer form"
