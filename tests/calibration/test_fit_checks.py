"""What a calibration says of prior, fit and records, on growers simulated without the model.

The simulator (:mod:`tests.calibration.seedbeds`) shares no code with the package: seeds one by
one, with times, seasons, soils and losses that the model does not believe in. The slow tests print
how often each thing is said (``pytest -s -m slow``).
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from tests.calibration.seedbeds import Nature, season
from thermosprout.calibration.fit import fit_with_prior
from thermosprout.calibration.plots import half_emergence_d
from thermosprout.calibration.result import calibrate
from thermosprout.calibration.scores import crps, forecast_draws
from thermosprout.crops.catalogue import find_crop

CROP = find_crop("carrot")
SPREAD = float(
    np.sqrt(np.diag(CROP.estimate.covariance)[CROP.estimate.names.index("thermal_time_50_Cd")])
)
"""Sd of ln thermal time in the catalogue's estimate."""


FRESH = 9012
"""First seed of the growers that judge how often things are said: none of them chose a bar."""


@cache
def kinds(nature: Nature, grower: int, first: int = 1000) -> tuple[tuple[str, str], ...]:
    """Kind and sentence of every check of one grower's calibration."""
    plots, soil = season(CROP, nature, 2025, np.random.default_rng(first + grower))
    fit = calibrate(CROP, plots, [soil], seed=grower, draws=800)
    return tuple((check.kind, check.sentence) for check in fit.checks)


def share(nature: Nature, kind: str, growers: int) -> float:
    """Share of growers to whom a kind of thing is said."""
    said = [{k for k, _ in kinds(nature, grower, FRESH)} for grower in range(growers)]
    return float(np.mean([kind in one for one in said]))


def test_a_crop_as_the_catalogue_has_it_is_not_doubted() -> None:
    assert kinds(Nature(), 2) == ()


def test_a_crop_three_spreads_slower_is_told_with_the_factor() -> None:
    said = [text for kind, text in kinds(Nature(slower=3 * SPREAD), 1) if kind == "prior"]
    assert any(
        "slower than the catalogue expects" in text and "usual time" in text for text in said
    )


def test_two_flushes_name_plots_days_and_what_to_do() -> None:
    ((kind, text),) = [item for item in kinds(Nature(times="flushes"), 1) if item[0] == "flushes"]
    assert kind == "flushes"
    assert "2025-" in text
    assert "leave those plots out" in text


def test_a_plot_that_mice_took_is_named_with_its_count() -> None:
    plots, soil = season(CROP, Nature(), 2025, np.random.default_rng(5))
    taken = replace(plots[4], new=np.where(np.cumsum(plots[4].new) <= 1, plots[4].new, 0.0))
    plots[4] = taken
    fit = calibrate(CROP, plots, [soil], draws=800)
    (check,) = [check for check in fit.checks if check.kind == "stand"]
    assert check.plots == (taken.name,)
    assert f"{taken.emerged} of 50 seeds" in check.sentence
    assert not any(
        check.kind == "stand" for check in calibrate(CROP, plots[:3], [soil], draws=300).checks
    )


@pytest.mark.slow
def test_conflict_and_misfit_are_told_when_there() -> None:
    growers = 40
    table = {
        "as the catalogue": Nature(),
        "gamma times": Nature(times="gamma"),
        "log-logistic times": Nature(times="loglogistic"),
        "soil error 1 K": Nature(soil_sd_K=1.0),
        "1.5 sd slower": Nature(slower=1.5 * SPREAD),
        "1.5 sd faster": Nature(slower=-1.5 * SPREAD),
        "3 sd slower": Nature(slower=3 * SPREAD),
        "3 sd faster": Nature(slower=-3 * SPREAD),
        "two flushes": Nature(times="flushes"),
        "mice in a plot of four": Nature(taken=0.25),
    }
    told = {
        name: {kind: share(nature, kind, growers) for kind in
               ("prior", "stand", "timing", "flushes")}
        for name, nature in table.items()
    }  # fmt: skip
    for name, row in told.items():
        print(f"{name:24}", "  ".join(f"{kind} {value:4.0%}" for kind, value in row.items()))
    calm = ("as the catalogue", "gamma times", "log-logistic times", "soil error 1 K")
    for kind in ("prior", "stand", "timing", "flushes"):
        assert np.mean([told[name][kind] for name in calm]) <= 0.05
    assert min(told["3 sd slower"]["prior"], told["3 sd faster"]["prior"]) >= 0.9
    assert min(told["1.5 sd slower"]["prior"], told["1.5 sd faster"]["prior"]) >= 0.3
    assert told["two flushes"]["flushes"] >= 0.9
    assert told["mice in a plot of four"]["stand"] >= 0.7  # a twelfth of them have no mice


@pytest.mark.slow
def test_calibrated_on_one_season_forecasts_of_the_next_hold() -> None:
    """Crops of many speeds; two seasons, each with its own shift and soil error; lots untested."""
    lines = []
    for grower in range(40):
        rng = np.random.default_rng(2000 + grower)
        nature = Nature(slower=float(rng.normal(0.0, 0.8 * SPREAD)), soil_sd_K=1.0)
        first, soil = season(CROP, nature, 2024, rng, viability_sd=0.4)
        second, later = season(CROP, nature, 2025, rng, plots=1, viability_sd=0.4)
        fit = fit_with_prior(CROP, first, [soil], seed=grower, draws=800)
        for plot in second:
            seen = half_emergence_d(plot)
            if seen is None:
                continue
            for name, estimate in (("before", CROP.estimate), ("after", fit.estimate())):
                half, _ = forecast_draws(CROP, estimate, plot, [later], seed=grower)
                half = half[~np.isnan(half)]
                low, middle, high = np.quantile(half, [0.1, 0.5, 0.9], method="hazen")
                lines.append((name, crps(half, seen), abs(middle - seen), low <= seen <= high))
    scores = {}
    for name in ("before", "after"):
        mine = [line[1:] for line in lines if line[0] == name]
        scores[name] = np.mean(mine, axis=0)
        print(f"{name:8} CRPS {scores[name][0]:.2f} d, error {scores[name][1]:.2f} d, "
              f"inside 80 % range {scores[name][2]:.0%} of {len(mine)}")  # fmt: skip
    assert scores["after"][0] <= scores["before"][0]
    assert scores["after"][2] >= 0.7
