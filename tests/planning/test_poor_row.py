"""A row of the demo season that comes up poorly: lots, plants wanted, and what is refused."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime
from functools import cache
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

from thermosprout.cli.app import app
from thermosprout.crops.seed_lots import viability_draws
from thermosprout.errors import InputError
from thermosprout.files import demo_folder
from thermosprout.planning.sow_again import left_over_seed
from thermosprout.season.forecast import forecast_season
from thermosprout.season.load import load_season

DEMO = demo_folder() / "season.toml"


@cache
def sow_again(*words: str) -> dict[str, Any]:
    day = ("--as-of", "2026-05-08")
    done = CliRunner().invoke(app, ["sow-again", str(DEMO), *day, *words, "--json"])
    document: dict[str, Any] = json.loads(done.stdout)
    return document


def way(document: dict[str, Any], name: str) -> dict[str, Any]:
    return next(item for item in document["ways"] if item["way"] == name)


def test_an_older_lot_gives_fewer_plants_when_sown_again() -> None:
    same = sow_again("--row", "N4")
    old = sow_again("--row", "N4", "--new-lot", "PAR23")
    fresh = sow_again("--row", "N4", "--new-lot", "PAR25")
    waits = [way(document, "wait")["plants"] for document in (same, old, fresh)]
    assert waits[0] == waits[1] == waits[2]
    assert way(fresh, "sow again")["plants"]["p50"] > way(old, "sow again")["plants"]["p50"]


def test_plants_wanted_are_those_asked_for_else_the_stations() -> None:
    assert sow_again("--row", "N4", "--plants", "17")["plants_wanted"] == 17
    document = sow_again("--row", "N4")
    assert any(note.startswith("Plants wanted: 36, one for each") for note in document["notes"])


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("--row", "Z9"), "there is no row 'Z9'"),
        (("--row", "N4", "--new-lot", "XX"), "there is no seed lot 'XX'"),
    ],
)
def test_what_the_season_does_not_hold_is_named(words: tuple[str, ...], sentence: str) -> None:
    with pytest.raises(InputError) as caught:
        app(["sow-again", str(DEMO), *words], standalone_mode=False)
    assert sentence in caught.value.what


def test_seed_left_over_ages_up_to_today() -> None:
    """Without counts it is the lot of that day; half a year more takes life and speed."""
    season = load_season(DEMO)
    sown, later = date(2026, 4, 6), date(2026, 9, 20)
    result = forecast_season(season, as_of=datetime(2026, 4, 7, tzinfo=UTC), only=frozenset({"N4"}))
    answer, context = result.rows[0], result.context
    lot, case = season.seed_lots["PAR23"], context.of_row(answer.row)
    same, slow = left_over_seed(context, case, answer.forecast, sown)
    assert same == pytest.approx(answer.forecast.viability)
    assert slow == pytest.approx(answer.forecast.ln_shift)
    left, slower = left_over_seed(context, case, answer.forecast, later)
    rng = np.random.default_rng(3)
    fresh = viability_draws(lot, answer.crop, 20_000, rng, later)
    for q in (0.25, 0.5, 0.75):
        assert np.quantile(left, q) == pytest.approx(np.quantile(fresh, q), abs=0.04)
    assert np.median(left) < np.median(same) - 0.1
    assert np.median(slower) > np.median(slow)
