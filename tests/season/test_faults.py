"""Every malformed season file of the folder ends in one sentence that names file and line."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from thermosprout.errors import InputError
from thermosprout.season.forecast import forecast_season
from thermosprout.season.load import load_season

FOLDER = Path(__file__).parent / "faults"
FILES = sorted(FOLDER.glob("*.toml"))
HEADER = re.compile(rb"# expected on line (\d+): (.*)")


def test_there_are_at_least_forty_kinds_of_fault() -> None:
    assert len(FILES) >= 40


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_fault_is_refused_with_its_place(path: Path) -> None:
    from datetime import UTC, datetime

    found = HEADER.match(path.read_bytes())
    assert found is not None
    with pytest.raises(InputError) as caught:
        forecast_season(load_season(path), as_of=datetime(2026, 5, 1, tzinfo=UTC))
    error = caught.value
    assert error.exit_code == 2
    assert error.place is not None
    assert found[2].decode() in str(error)
    if path.stem != "absent_soil_file":  # the place of that fault is the absent file itself
        assert (Path(error.place.file).name, error.place.line) == (path.name, int(found[1]))
    assert "\n" not in str(error)
    assert str(error).endswith((".", "?"))


def test_an_unknown_row_is_met_with_the_nearest(tmp_path: Path) -> None:
    text = (FOLDER / "absent_soil_file.toml").read_text(encoding="utf-8")
    path = tmp_path / "season.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match="no row 'R9'; did you mean 'R"):
        load_season(path).require_row("R9")
