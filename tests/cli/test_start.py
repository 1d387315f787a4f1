"""``thermosprout start``: by options, by questions, and what it refuses."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from thermosprout.cli import season as start_module
from thermosprout.cli.app import app
from thermosprout.dates import nearest_zone, read_coordinates
from thermosprout.errors import InputError
from thermosprout.season.load import load_season

ANSWERS = ["--place", "Garden", "--at", "56.2, -3.1", "--soil", "open-meteo"]


def run(*arguments: str, text: str | None = None) -> str:
    """Run and return standard error; an error of ours is raised."""
    result = CliRunner().invoke(app, ["start", *arguments], input=text)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    assert result.exit_code == 0, result.stderr
    return result.stderr


def test_every_answer_can_be_an_option(tmp_path: Path) -> None:
    path = tmp_path / "season.toml"
    (tmp_path / "soil.csv").write_text("time_utc,soil_temp_C\n")
    told = run(
        str(path), "--place", 'Gar"den \\ #1', "--at", "35.0N 85.1W",
        "--timezone", "America/New_York", "--soil", "soil.csv", "--depth-cm", "4",
        "--surface", "grass", "--row", "parsnip//2026-04-06", "--row", "pea/soaked/2026-04-20",
        "--row", "sweet corn/pre-sprouted/2026-05-16",
    )  # fmt: skip
    assert "Wrote" in told
    season = load_season(path).data
    assert (season.site.name, season.site.latitude) == ('Gar"den \\ #1', 35.0)
    assert season.site.longitude == -85.1
    assert season.site.timezone == "America/New_York"
    assert (season.soil.file, season.soil.depth_cm, season.soil.surface) == ("soil.csv", 4, "grass")
    assert [(row.treatment, str(row.planted)) for row in season.rows] == [
        ("direct", "2026-04-06"), ("soaked", "2026-04-20"), ("presprouted", "2026-05-16"),
    ]  # fmt: skip


def test_questions_are_asked_again_until_they_can_be_used(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(start_module, "can_ask", lambda: True)
    path = tmp_path / "season.toml"
    answers = [
        "Windy Hill", "somewhere", "56.2 -3.1", "Europe/Londn", "Europe/London", "open-meteo",
        "parsnp", "parsnip", "soakd", "soaked", "6 April", "2026-04-06", "12", "y",
        "pea", "", "2026-04-20", "n",
    ]  # fmt: skip
    told = run(str(path), text="\n".join(answers) + "\n")
    for sentence in ("not a pair of coordinates", "did you mean Europe/London", "parsnip", "soaked",
                     "write it like 2026-05-01"):  # fmt: skip
        assert sentence in told
    rows = load_season(path).data.rows
    assert [(row.crop, row.treatment, row.soak_h) for row in rows] == [
        ("parsnip", "soaked", 12.0), ("pea", "direct", None),
    ]  # fmt: skip


def test_a_season_that_is_there_is_never_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "season.toml"
    path.write_text("mine")
    with pytest.raises(InputError, match="there already"):
        run(str(path), *ANSWERS)
    assert path.read_text() == "mine"


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--place", "x"], "add --at"),
        ([*ANSWERS[:4], "--soil", "../soil.csv"], "outside the folder"),
        ([*ANSWERS[:4], "--soil", "weather"], "neither a CSV file nor a weather service"),
        ([*ANSWERS, "--row", "parsnp"], "did you mean parsnip"),
        ([*ANSWERS, "--row", "pea/soakd"], "did you mean soaked"),
        ([*ANSWERS, "--row", "pea/soaked/tomorrow"], "write it like"),
        ([*ANSWERS, "--timezone", "Europe/Atlantis"], "not a time zone"),
        (["--place", "x", "--at", "35, -85.2", "--soil", "open-meteo"], "add --timezone"),
    ],
)
def test_faults_name_the_next_step_and_write_nothing(
    tmp_path: Path, arguments: list[str], said: str
) -> None:
    with pytest.raises(InputError, match=said):
        run(str(tmp_path / "season.toml"), *arguments)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("56.2, -3.1", (56.2, -3.1)),
        ("56.2 -3.1", (56.2, -3.1)),
        ("56°12'N 3°6'W", (56.2, -3.1)),
        ("3.1W 56.2N", (56.2, -3.1)),
        ("S33.45, W70.66", (-33.45, -70.66)),
        ("40° 26′ 46″ N 79° 58′ 56″ W", (40.4461, -79.9822)),
    ],
)
def test_coordinates_are_read_as_growers_write_them(
    text: str, expected: tuple[float, float]
) -> None:
    assert read_coordinates(text) == pytest.approx(expected)


@pytest.mark.parametrize(
    "text", ["", "56.2", "56,2", "95, 3", "3, 190", "-3W 56N", "3W 4E", "a, b"]
)
def test_coordinates_that_cannot_be_read_are_refused(text: str) -> None:
    with pytest.raises(InputError):
        read_coordinates(text)


@given(st.floats(-90, 90), st.floats(-180, 180))
def test_coordinates_come_back_as_written(latitude: float, longitude: float) -> None:
    found = read_coordinates(f"{latitude:.4f}, {longitude:.4f}")
    assert found == pytest.approx((latitude, longitude), abs=1e-4)


def test_the_nearest_zone_counts_where_neighbours_agree() -> None:
    assert nearest_zone(51.5, -0.1)[0] == "Europe/London"
    assert nearest_zone(-33.9, 151.2)[0] == "Australia/Sydney"
    # East Tennessee lies where two clocks meet.
    assert not nearest_zone(35.0, -85.2)[1]
