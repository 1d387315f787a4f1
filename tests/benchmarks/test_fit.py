"""A fit of usual size, beside the same likelihood looped over seeds under Nelder-Mead.

Run with ``pytest tests/benchmarks/test_fit.py -s --benchmark-only``.
"""

from __future__ import annotations

import time

import numpy as np

from tests.calibration.growers import Planting, first_hour, grow, spring
from tests.calibration.loop_reference import fit_by_loop, negative_log_posterior
from thermosprout.calibration.fit import climb, fit_with_prior, starts
from thermosprout.calibration.hierarchy import layers_of, root_of
from thermosprout.calibration.likelihood import Likelihood
from thermosprout.calibration.posterior import Posterior, decorrelation_of
from thermosprout.calibration.predict import Model
from thermosprout.crops.catalogue import find_crop

EVALUATIONS = 40
"""Of the loop; a simplex in some twenty coordinates needs thousands, so the ratio is a floor."""


def trial():
    """Sixty plots of direct-sown carrots, 15 inspections each, under sixty days of hourly soil."""
    crop, series = find_crop("carrot"), spring(days=60, seed=3, site_C=4.0)
    truth = {name: np.array([value]) for name, value in crop.estimate.centre().items()}
    plots = grow(
        crop, truth, series,
        [Planting(day=float(day), plots=3, seeds=50, depth_cm=1.5, inspections=15, every_d=2.0)
         for day in np.round(np.linspace(1.0, 28.0, 20), 1)],
        np.random.default_rng(3),
    )  # fmt: skip
    return crop, series, plots


def test_fit_of_sixty_plots(benchmark) -> None:
    crop, series, plots = trial()
    layers = layers_of(crop.estimate, plots)
    model = Model(crop, plots, layers, [series])
    problem = Posterior(
        likelihood=Likelihood(model), origin=layers.mean, root=root_of(layers.covariance),
        prior=True, decorrelation=decorrelation_of(model),
    )  # fmt: skip
    shares = model.predict(layers.mean[None]).share[0]
    first_h = first_hour(series)
    origin = np.zeros(problem.size)
    ours = -float(problem.log_posterior(origin[None])[0])
    theirs = negative_log_posterior(origin, problem, crop, series.values, first_h, plots, shares)
    assert abs(ours - theirs) < 0.01 * abs(theirs)

    begun = time.perf_counter()
    fit_by_loop(problem, crop, series.values, first_h, plots, shares, EVALUATIONS)
    loop_s = time.perf_counter() - begun

    begun = time.perf_counter()
    points = np.random.default_rng(0).standard_normal((120, problem.size))
    best = climb(problem, starts(problem, points))
    optimum_s = time.perf_counter() - begun

    fit = benchmark.pedantic(fit_with_prior, args=(crop, plots, [series]), rounds=3)
    whole_s = benchmark.stats["mean"]
    gained = ours + float(problem.log_posterior(best[None])[0])
    benchmark.extra_info.update(
        plots=len(plots), seeds=sum(plot.seeds for plot in plots), optimum_s=round(optimum_s, 2),
        loop_s=round(loop_s, 1), loop_evaluations=EVALUATIONS,
        at_least_times_faster=round(loop_s / optimum_s, 1), log_posterior_gained=round(gained, 1),
    )  # fmt: skip
    print(
        f"\nwhole fit {whole_s:.2f} s; optimum alone {optimum_s:.2f} s; {EVALUATIONS} evaluations "
        f"of the loop {loop_s:.1f} s: the optimum is found at least {loop_s / optimum_s:.0f} times "
        "faster than the loop has begun"
    )
    assert fit.effective_draws > 50
