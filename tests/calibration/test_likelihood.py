"""The likelihood agrees with itself written seed by seed, and does not care for order."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import xarray as xr

from tests.calibration.growers import Planting, first_hour, grow, plain_crop, spring
from tests.calibration.loop_reference import plot_log_likelihood
from thermosprout.calibration.hierarchy import layers_of, root_of
from thermosprout.calibration.likelihood import Likelihood
from thermosprout.calibration.plots import Plot, noted_window_h
from thermosprout.calibration.posterior import Posterior, decorrelation_of
from thermosprout.calibration.predict import Model
from thermosprout.crops.estimate import PARAMETERS, Estimate
from thermosprout.emergence.treatments import Handling, Treatment
from thermosprout.errors import CoverageError

ESTIMATE = Estimate.generic(
    "beetroot", {"t_base_C": (4.0, 1.0), "thermal_time_50_Cd": (100.0, 0.3)}
)
CROP = plain_crop(estimate=ESTIMATE)
SERIES = spring(days=80, seed=2)
SOAKED = Handling(treatment=Treatment.SOAKED, soak_h=20.0)
SPROUTED = Handling(treatment=Treatment.PRESPROUTED, sprout_h=72.0)


@pytest.fixture(scope="module")
def plots() -> list[Plot]:
    rng = np.random.default_rng(1)
    return grow(
        CROP, TRUTH, SERIES,
        [Planting(day=6.4), Planting(day=25.7, depth_cm=3.0),
         Planting(day=25.7, handling=SOAKED), Planting(day=25.7, handling=SPROUTED)],
        rng,
    )  # fmt: skip


def likelihood(plots, **options):
    layers = layers_of(ESTIMATE, plots)
    return Likelihood(Model(CROP, plots, layers, [SERIES]), **options)


TRUTH = ESTIMATE.draw(1, np.random.default_rng(1))


def some_vectors(size: int, seed: int = 0, spread: float = 0.15):
    """Vectors near the truth, where a fit works; far from it the quadrature is only rough."""
    rng = np.random.default_rng(seed)
    centre = np.array([float(PARAMETERS[n].transform(TRUTH[n][0])) for n in ESTIMATE.names])
    return centre + spread * rng.standard_normal((size, ESTIMATE.mean.size)) * np.sqrt(
        np.diag(ESTIMATE.covariance)
    )


def test_direct_plots_agree_with_the_loop_over_seeds(plots) -> None:
    direct = [plot for plot in plots if plot.treatment == "direct"]
    both = likelihood(direct)
    vectors = some_vectors(3)
    found = both.plots(vectors)
    shares = both.model.predict(vectors).share
    for draw in range(3):
        value = {n: float(v[draw]) for n, v in ESTIMATE.natural(vectors).items()}
        for index, plot in enumerate(direct):
            # The batch merges inspections at which nothing new was seen; slips go with time.
            hours, new = plot.informative_looks()
            expected = plot_log_likelihood(
                CROP, value, SERIES.values, first_hour(SERIES), replace(plot, hours=hours, new=new),
                share=float(shares[draw, index]),
            )  # fmt: skip
            assert found[draw, index] == pytest.approx(expected, abs=0.01)


def test_a_noted_date_agrees_with_the_loop(plots) -> None:
    planted = plots[0].planted_h
    noted = Plot(
        name="n", planted_h=planted, depth_cm=2.0, seeds=0,
        noted_h=noted_window_h(planted + 24 * 14.0),
    )  # fmt: skip
    vectors = some_vectors(4, spread=0.2)
    found = likelihood([noted]).plots(vectors)[:, 0]
    for draw in range(4):
        value = {n: float(v[draw]) for n, v in ESTIMATE.natural(vectors).items()}
        expected = plot_log_likelihood(
            CROP, value, SERIES.values, first_hour(SERIES), noted, share=1.0
        )
        assert found[draw] == pytest.approx(expected, abs=2e-3)


def test_the_order_of_plots_and_batches_does_not_matter(plots) -> None:
    vectors = some_vectors(7, seed=3)
    together = likelihood(plots).plots(vectors)
    turned = likelihood(plots[::-1]).plots(vectors)[:, ::-1]
    np.testing.assert_allclose(turned, together, rtol=1e-9, atol=1e-6)
    one_by_one = np.concatenate([likelihood(plots).plots(v[None]) for v in vectors])
    np.testing.assert_allclose(one_by_one, together, atol=2e-3)


def test_inspections_that_saw_nothing_new_tell_nothing(plots) -> None:
    plot = plots[0]
    extra = np.sort(np.concatenate([plot.hours, plot.hours[:-1] + 11.0]))
    cumulative = np.interp(extra, plot.hours, plot.new.cumsum(), left=0.0)
    quiet = np.isin(extra, plot.hours) | (np.mod(cumulative, 1) == 0)
    dense = replace(plot, hours=extra[quiet], new=np.diff(np.round(cumulative[quiet]), prepend=0.0))
    assert dense.hours.size > plot.hours.size
    hours, new = dense.informative_looks()
    assert new.sum() == plot.emerged
    assert hours.size <= dense.hours.size


def test_gradient_matches_differences_of_the_value(plots) -> None:
    layers = layers_of(ESTIMATE, plots)
    model = Model(CROP, plots, layers, [SERIES])
    problem = Posterior(
        likelihood=Likelihood(model), origin=layers.mean, root=root_of(layers.covariance),
        prior=True, decorrelation=decorrelation_of(model),
    )  # fmt: skip
    w = 0.2 * np.random.default_rng(2).standard_normal(problem.size)
    value, gradient = problem.value_and_gradient(w)
    assert value == pytest.approx(-float(problem.log_posterior(w[None])[0]), abs=1e-3)
    step = 0.02
    numeric = np.array([
        (problem.log_posterior((w - step * e)[None])[0]
         - problem.log_posterior((w + step * e)[None])[0]) / (2 * step)
        for e in np.eye(problem.size)
    ])  # fmt: skip
    np.testing.assert_allclose(gradient, numeric, atol=0.03 * np.abs(gradient).max())


def test_a_plot_without_temperature_is_refused(plots) -> None:
    layers = layers_of(ESTIMATE, plots)
    with pytest.raises(CoverageError, match="plot p0 has no temperature; give --soil"):
        Model(CROP, plots, layers, [])
    cut = SERIES.isel(time=slice(0, 24 * 20))
    with pytest.raises(CoverageError, match="does not cover plot p0 from"):
        Model(CROP, plots, layers, [cut])


def test_a_hole_in_the_soil_parts_the_series() -> None:
    rng = np.random.default_rng(1)
    late = grow(CROP, TRUTH, SERIES, [Planting(day=30.0)], rng)
    holed = SERIES.copy()
    holed[24 * 10 : 24 * 12] = np.nan
    layers = layers_of(ESTIMATE, late)
    whole = Likelihood(Model(CROP, late, layers, [SERIES])).plots(some_vectors(2))
    parted = Likelihood(Model(CROP, late, layers, [holed])).plots(some_vectors(2))
    np.testing.assert_allclose(parted, whole, atol=0.02)
    early = grow(CROP, TRUTH, SERIES, [Planting(day=5.0)], rng)
    with pytest.raises(CoverageError, match="without a hole"):
        Model(CROP, early, layers_of(ESTIMATE, early), [holed])


def test_soil_that_ends_with_counts_spares_the_stand(plots) -> None:
    """A pace too slow to reach half within the soil is no wait without end."""
    short = SERIES.isel(time=SERIES["time"].values < np.datetime64("2025-05-04"))
    early = [
        replace(plot, hours=plot.hours[kept], new=plot.new[kept])
        for plot in plots
        if (kept := plot.hours <= first_hour(short) + short.sizes["time"] - 1).any()
    ]
    layers = layers_of(ESTIMATE, early)
    slow = layers.mean.copy()
    slow[layers.names.index("crop:thermal_time_50_Cd")] += 0.8
    vectors = np.stack([layers.mean, slow])
    known = Likelihood(Model(CROP, early, layers, [SERIES])).plots(vectors)
    ends = Likelihood(Model(CROP, early, layers, [short])).plots(vectors)
    assert ends[0] == pytest.approx(known[0], abs=0.3)
    # The same counts under the same soil so far: what comes after moves the stand but little.
    assert ends[1] == pytest.approx(known[1], abs=1.5)
    assert np.isfinite(ends).all()


def test_a_series_is_parted_at_its_holes() -> None:
    values = np.full(24 * 12, 10.0)
    values[100:103] = np.nan
    values[110] = np.nan
    hours = np.r_[np.arange(24 * 6), np.arange(24 * 6, 24 * 12) + 5]
    time = np.datetime64("2026-04-01", "ns") + hours * np.timedelta64(1, "h")
    whole = xr.DataArray(values, dims="time", coords={"time": time})
    begin = time[0].astype("datetime64[h]").astype(float)
    # 103 to 109 is too short; 111 to the jump of the clock at 144 and the rest are whole. The last
    # look may be half a day after a stretch.
    for planted, last, covered in (
        (0, 111, True), (0, 112, False), (111, 155, True), (111, 156, False), (110, 156, False),
        (149, 304, True), (149, 305, False), (148, 200, False),
    ):  # fmt: skip
        plot = Plot(
            name="p", planted_h=begin + planted, depth_cm=2.0, seeds=9,
            hours=begin + np.array([float(last)]), new=np.array([5.0]),
        )  # fmt: skip
        layers = layers_of(ESTIMATE, [plot])
        if covered:
            assert Model(CROP, [plot], layers, [whole]).series_of(plot) == 0
        else:
            with pytest.raises(
                CoverageError, match=r"does not cover plot p from .* without a hole"
            ):
                Model(CROP, [plot], layers, [whole])
