"""Degree-days against printed worked examples and a general climate-index library."""

from __future__ import annotations

import numpy as np
import pytest

from tests.published.degree_days import average_degree_days, single_sine_degree_days


@pytest.mark.parametrize(
    ("t_min", "t_max", "base", "expected", "source"),
    [
        (64, 64, 53, 11, "University of California IPM, a simple way to calculate degree-days"),
        (50, 70, 50, 10, "Iowa State University, Agronomy 541, lesson 2b"),
        (61, 83, 50, 22, "M. Dairy Consulting, figuring growing degree days"),
    ],
)
def test_daily_average(
    t_min: float, t_max: float, base: float, expected: float, source: str
) -> None:
    assert average_degree_days(t_min, t_max, base) == pytest.approx(expected), source


def test_maize_rule_with_cap_and_raised_minimum() -> None:
    # Karhoff, Ohio State University Extension, 12 June 2023: max 87 F, min 63 F give 24.5.
    assert average_degree_days(63, 87, 50, 86, raise_minimum=True) == pytest.approx(24.5)
    # Waushara Argus ag news, 25 April 2018: three days give 25.5, 11 and 6.5.
    days = average_degree_days([65, 46, 42], [90, 72, 63], 50, 86, raise_minimum=True)
    assert days == pytest.approx([25.5, 11, 6.5])


def test_single_sine_of_a_printed_example() -> None:
    # Documentation of the TrenchR functions, single sine: 0.47 degree-days (printed to 2 places).
    assert single_sine_degree_days(7, 14, 12, 33) == pytest.approx(0.4681, abs=5e-5)


@pytest.mark.parametrize(
    ("t_min", "t_max", "expected"),
    [(12, 24, 8.0), (5, 9, 0.0), (4, 20, 3.6265), (14, 38, 13.966), (4, 38, 10.4008), (32, 40, 20)],
)
def test_single_sine_six_cases(t_min: float, t_max: float, expected: float) -> None:
    # Baskerville & Emin (1969), Allen (1976): the definition, integrated numerically.
    found = single_sine_degree_days(t_min, t_max, 10, 30)
    assert found == pytest.approx(expected, abs=5e-5)
    angle = (np.arange(200_000) + 0.5) / 200_000 * 2 * np.pi
    sine = 0.5 * (t_min + t_max) + 0.5 * (t_max - t_min) * np.sin(angle)
    assert found == pytest.approx(np.clip(np.minimum(sine, 30) - 10, 0, None).mean(), abs=1e-6)


@pytest.mark.slow
def test_daily_sums_of_a_climate_index_library() -> None:
    xr = pytest.importorskip("xarray")
    indices = pytest.importorskip("xclim.indices")
    rng = np.random.default_rng(2)
    time = np.arange("2025-01-01", "2026-01-01", dtype="datetime64[D]").astype("datetime64[ns]")
    low = 8 + 9 * np.sin(np.arange(time.size) / 58) + rng.normal(0, 3, time.size)
    high = low + rng.uniform(2, 15, time.size)
    mean = xr.DataArray(
        0.5 * (low + high), dims="time", coords={"time": time}, attrs={"units": "degC"}
    )
    sums = indices.growing_degree_days(mean, thresh="8 degC", freq="MS")
    ours = xr.DataArray(average_degree_days(low, high, 8.0), dims="time", coords={"time": time})
    assert ours.resample(time="MS").sum().values == pytest.approx(sums.values, rel=1e-9)
