"""Same likelihood, same maximum as general libraries for interval-censored times.

surpyval (https://surpyval.readthedocs.io) fits a log-normal with a limited failure population:
a share of seeds that never germinates, which is what a dish at one temperature is.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.published.calibration_data import chickweed, dish, table, weeds, wheat
from thermosprout.calibration.maximum_likelihood import fit_without_prior
from thermosprout.calibration.plots import Plot
from thermosprout.crops.catalogue import generic_crop
from thermosprout.emergence.response import response

CROP = replace(generic_crop("dish", season="cool", seed_size="small"), response="linear")


def reference(plots: list[Plot]) -> tuple[float, float, float, float]:
    """surpyval's maximum: log-likelihood, median [d], sd of logs, share that germinates."""
    import surpyval

    left, right, number = [], [], []
    for plot in plots:
        edges = np.concatenate([[1e-9], plot.hours / 24.0])
        for low, high, count in zip(edges[:-1], edges[1:], plot.new, strict=True):
            if count:
                left.append(low), right.append(high), number.append(int(count))
        if plot.seeds > plot.emerged:
            left.append(edges[-1]), right.append(np.inf), number.append(plot.seeds - plot.emerged)
    fitted = surpyval.LogNormal.fit(
        xl=np.array(left), xr=np.array(right), n=np.array(number), lfp=True
    )
    mu, sigma = fitted.params
    return -float(fitted.neg_ll()), float(np.exp(mu)), float(sigma), float(fitted.lfp_p)


def ours(plots: list[Plot]) -> tuple[float, float, float, float]:
    fit = fit_without_prior(CROP, plots)
    names = fit.layers.names
    rate = forecast_rate(plots[0].constant_C)
    thermal = np.exp(fit.vector[names.index("crop:thermal_time_50_Cd")])
    sigma = np.exp(fit.vector[names.index("crop:sigma")])
    seeds, emerged = sum(p.seeds for p in plots), sum(p.emerged for p in plots)
    return fit.log_likelihood, float(thermal / rate), float(sigma), emerged / seeds


def forecast_rate(constant_C: float) -> float:
    """Degrees that count at a temperature, the response being held as it was."""
    centre = CROP.estimate.centre()
    optimum = centre["t_base_C"] + centre["opt_gap_C"]
    return float(
        response("linear", constant_C, centre["t_base_C"], optimum,
                 optimum + centre["ceiling_gap_C"])
    )  # fmt: skip


def cases(shared: Path) -> dict[str, list[Plot]]:
    found = {"chickweed 5 C": [chickweed(shared)]}
    for species in ("Dactylis glomerata", "Plantago lanceolata", "Rumex crispus"):
        for plot in weeds(shared, species):
            if plot.emerged >= 12:
                found[f"{species[:9]} {plot.name}"] = [plot]
    for plot in wheat(shared):
        if plot.emerged >= 10 and plot.constant_C < 30:
            found[plot.name] = [plot]
    return found


def test_an_invented_dish_has_the_maximum_of_surpyval() -> None:
    """80 seeds of which about 0.7 germinate after 6 d, sd of logs 0.3, looked at every day."""
    rng = np.random.default_rng(17)
    days = np.where(rng.random(80) < 0.7, np.exp(np.log(6.0) + 0.3 * rng.normal(size=80)), np.inf)
    counts = np.histogram(days, bins=np.arange(16))[0]
    plots = [dish("invented", 15.0, 80, 24.0 * np.arange(1, 16), counts)]
    mine, other = ours(plots), reference(plots)
    assert mine[0] == pytest.approx(other[0], abs=1e-4)
    assert mine[1:] == pytest.approx(other[1:], rel=1e-2)


@pytest.mark.slow
def test_one_temperature_one_treatment_has_the_maximum_of_surpyval(shared: Path) -> None:
    lines = []
    for name, plots in cases(shared).items():
        mine, other = ours(plots), reference(plots)
        lines.append((name, mine[0], other[0], mine[1], other[1], mine[2], other[2]))
        assert mine[0] == pytest.approx(other[0], abs=1e-4), name
        assert mine[1] == pytest.approx(other[1], rel=2e-3), name
        assert mine[2] == pytest.approx(other[2], rel=1e-2), name
    table(
        "one temperature: ours and surpyval's",
        ("dish", "loglik", "surpyval", "t50 d", "surpyval", "sigma", "surpyval"), lines,
    )  # fmt: skip
    assert len(lines) >= 10


def test_replicate_dishes_pool_as_one_sample(shared: Path) -> None:
    """Halves of a dish have the maximum of the whole, as surpyval pools them."""
    whole = next(plot for plot in weeds(shared, "Dactylis glomerata") if plot.emerged >= 15)
    half = np.floor(whole.new / 2)
    parts = [
        replace(whole, name="a", new=half, seeds=whole.seeds // 2),
        replace(whole, name="b", new=whole.new - half, seeds=whole.seeds - whole.seeds // 2),
    ]
    assert ours(parts)[0] == pytest.approx(reference(parts)[0], abs=1e-4)


def test_chickweed_stands_beside_its_published_log_logistic(shared: Path) -> None:
    """Ritz, Pipper & Streibig (2013), Eur. J. Agron. 45:1-6: limit 0.200, t50 196 h (memory).

    A log-logistic and a log-normal differ in the tails, not in the middle.
    """
    _, median, _, share = ours([chickweed(shared)])
    table(
        "chickweed, 5 C", ("figure", "published", "ours"),
        [("limit", 0.200, share), ("t50 h", 196.05, 24 * median)],
    )  # fmt: skip
    assert share == pytest.approx(0.200, abs=0.002)
    assert 24 * median == pytest.approx(196.05, rel=0.01)
