"""A crop the catalogue lacks: every command that takes a crop takes its season and seed size."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from thermosprout.cli.app import app
from thermosprout.errors import InputError

RUN = CliRunner()
LIKE = ("--crop-season", "warm", "--seed-size", "small")
COMMANDS = {
    "stations": ("stations", "--crop", "teff", "--constant", "20"),
    "compare": ("compare", "--crop", "teff", "--constant", "20", "--draws", "200"),
    "presprout": ("presprout", "--crop", "teff", "--bed-free", "2027-05-10"),
    "forecast": ("forecast", "--crop", "teff", "--reading", "20", "--draws", "200"),
    "lot": ("lot", "teff", "--tested", "100", "--germinated", "80"),
    "trial design": ("trial", "design", "-t", "direct", "-t", "soaked", "--planting", "2027-05-02",
                     "-o", "teff", "--crop", "teff", "--simulations", "100"),
}  # fmt: skip


@pytest.mark.parametrize("command", COMMANDS)
def test_a_crop_the_catalogue_lacks_goes_the_whole_way(
    command: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    words = list(COMMANDS[command])
    with pytest.raises(InputError, match="--crop-season and --seed-size"):
        RUN.invoke(app, words, catch_exceptions=False)
    result = RUN.invoke(app, [*words, *LIKE], catch_exceptions=False)
    assert result.exit_code == 0, result.output
    assert "teff is not in the catalogue: taken as a warm-season crop" in result.stderr
