"""The fit of the ground finds what invented stations were made with, and judges the odd one out."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import norm
from scipy.stats import t as student_t

from reference_data.build import soil_parameters as fit_global
from reference_data.build.soil_parameters import (
    FREE,
    Problem,
    Season,
    fit,
    parameters_at,
    seasons_of,
)
from tests.soil.test_fit_global import _station
from thermosprout.soil.model.ground import GroundParameters

NOISE_K = 0.3
ODD_K = 2.0
TRUE = np.array([1.5])
FREED = "sward_transmitted"
"""One parameter alone: in a single season the others act along the same line."""


@dataclass(frozen=True)
class Made:
    """Invented stations: two as the model has them at ``TRUE``, a third too warm by ``ODD_K``."""

    problem: Problem
    seasons: list[Season]


@pytest.fixture(scope="module")
def made() -> Made:
    patch = pytest.MonkeyPatch()
    patch.setattr(fit_global, "DAYS", 155)
    patch.setattr(fit_global, "FREE", {FREED: FREE[FREED]})
    (season,) = seasons_of(_station("01-01", 160))
    rng = np.random.default_rng(20)
    seasons = []
    for name, shift in (("a", 0.0), ("b", 0.0), ("warm", ODD_K)):
        truth = Problem([season]).daily(parameters_at(TRUE))[0]
        noise = rng.normal(0.0, NOISE_K, truth.size)
        measured = np.where(np.isfinite(season.measured), truth + shift + noise, np.nan)
        seasons.append(replace(season, station=name, measured=measured, from_march=None))
    yield Made(Problem(seasons), seasons)
    patch.undo()


def test_the_parameters_that_made_the_stations_come_back(made: Made) -> None:
    two = Problem(made.seasons[:2])
    start = two.rmse(two.residuals(parameters_at(np.zeros(1))))
    z, residuals, slopes = fit(two)
    # The pull to the centre is weak beside a season of days.
    assert z == pytest.approx(TRUE, abs=0.15)
    # What is left is the noise; 65 days tell its sd to a tenth.
    assert two.rmse(residuals) == pytest.approx(NOISE_K, rel=0.2)
    assert (two.rmse(residuals) < 0.5 * start).all()
    assert slopes.shape == (two.station.size, 1)
    again, same, _ = fit(two, start=z, jacobian=slopes)
    assert again == pytest.approx(z, abs=0.05)
    assert two.rmse(same) == pytest.approx(two.rmse(residuals), abs=0.01)


def test_a_station_has_no_say_in_its_judge(made: Made) -> None:
    z, _, jacobian = fit(made.problem)
    table, unseen, parameters = fit_global.leave_one_out(made.problem, z, jacobian)
    assert list(table.index) == ["a", "b", "warm"]
    # Modelled minus measured: the warm one is out by its shift, the others hardly.
    assert table.loc["warm", "bias_K"] == pytest.approx(-ODD_K, abs=0.2)
    assert table.loc["warm", "rmse_K"] == pytest.approx(np.hypot(ODD_K, NOISE_K), abs=0.2)
    without = parameters_at(TRUE)
    assert parameters["warm"].sward_transmitted == pytest.approx(
        without.sward_transmitted, abs=0.15 * FREE[FREED][1]
    )
    own = unseen[2][made.problem.in_fit[2]]
    assert np.sqrt(np.mean(own**2)) == pytest.approx(table.loc["warm", "rmse_K"])
    squares = table["bias_K"] ** 2 + table["sd_K"] ** 2
    assert (table["rmse_K"] ** 2).to_numpy() == pytest.approx(squares.to_numpy())


@pytest.mark.slow
def test_the_run_writes_what_it_prints(
    made: Made, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    stations = [
        replace(_station("01-01", 160), station_id=season.station) for season in made.seasons
    ]
    stations[0] = replace(stations[0], weather=stations[0].weather.drop_vars("ghi"))
    by_name = {season.station: season for season in made.seasons}
    monkeypatch.setattr(fit_global, "load_stations", lambda folder: stations)
    monkeypatch.setattr(fit_global, "seasons_of", lambda station: [by_name[station.station_id]])
    out = tmp_path / "ground.json"
    fit_global.main(["--data", str(tmp_path), "--out", str(out)])
    document = json.loads(out.read_text())
    assert document["stations"] == ["a", "b", "warm"]
    assert document["seasons"] == 3
    printed = capsys.readouterr().out
    assert json.loads(printed[printed.index("{") :]) == document
    rows = {line.split()[0]: line.split()[1:] for line in printed.splitlines()[2:5]}
    # The mean is over stations that measured the sun: not over "a".
    for key, column in (("mean_rmse_left_out_K", 0), ("mean_rmse_fitted_K", 3)):
        mean = np.mean([float(rows[name][column]) for name in ("b", "warm")])
        assert document[key] == pytest.approx(mean, abs=0.01)
    assert document["mean_rmse_fitted_K"] < document["mean_rmse_left_out_K"]
    ground = GroundParameters(**document["parameters"])
    biases = [float(rows[name][1]) for name in ("a", "b", "warm")]
    assert ground.season_sd_K == pytest.approx(np.std(biases, ddof=1), abs=0.01)
    # the days of a row are off by what their season is, and a little of the noise; the 80 % range
    # of one more station is Student's, three stations leaving two degrees of freedom
    widening = student_t.ppf(0.9, 2) / norm.ppf(0.9)
    assert ground.site_sd_K == pytest.approx(
        widening * np.sqrt(np.mean(np.square(biases))), abs=0.1
    )
    assert ground.sward_resistance == GroundParameters().sward_resistance


def test_seasons_with_holes_or_few_readings_are_passed_over() -> None:
    station = _station("01-01", 700)
    air = station.weather["air_temperature"].values.copy()
    air[2000:2600] = np.nan
    holed = replace(station, weather=station.weather.assign(air_temperature=("time", air)))
    (season,) = seasons_of(holed)
    # 2025 lacks more than 3 % of its hours: no season, and no year before that of 2026 either.
    assert season.year == 2026
    assert season.before is None
    spring = station.measured.index.year == 2026
    few = station.measured[~spring | (station.measured.index.month < 5)]
    assert [one.year for one in seasons_of(replace(station, measured=few))] == [2025]
    assert [one.year for one in seasons_of(station, most=1)] == [2025]
