"""Trials that never took place: counts drawn from a crop's estimate or from given truths."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from thermosprout.emergence.response import ResponseDraws
from thermosprout.emergence.stand import middle_h, stand_share
from thermosprout.emergence.thermal_time import Clock, ConstantClock, ThermalClock
from thermosprout.emergence.treatments import Handling, Treatment, seed_state
from thermosprout.errors import InputError
from thermosprout.quantities import USUAL_DEPTH_CM, FloatArray
from thermosprout.trials.records.values import TREATMENTS

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

    from thermosprout.crops.crop import Crop
    from thermosprout.crops.estimate import Draws

IntArray = npt.NDArray[np.int64]

_HOUR_NS = 3.6e12


def simulate_counts(
    rng: np.random.Generator,
    *,
    t50: npt.ArrayLike,
    sigma: npt.ArrayLike,
    stand: npt.ArrayLike,
    seeds: npt.ArrayLike,
    inspections: npt.ArrayLike,
    speed_sd: npt.ArrayLike = 0.0,
    correlation: npt.ArrayLike = 0.0,
) -> IntArray:
    """Cumulative counts of plots with log-normal times and luck of their own.

    Parameters
    ----------
    rng : numpy.random.Generator
    t50, sigma, stand, seeds : array_like, shape (plot,)
        Median time, sd of ln time among seeds, mean share that emerges, seeds planted.
    inspections : array_like, shape (inspection,) or (plot, inspection), rising
        On the clock of ``t50``.
    speed_sd : array_like, shape (plot,)
        Sd of ln median time from plot to plot.
    correlation : array_like, shape (plot,)
        Of the fates of two seeds in one plot.

    Returns
    -------
    ndarray of int, shape (plot, inspection)
    """
    number = np.asarray(seeds, dtype=np.int64)
    shape = number.shape
    centre = np.log(np.broadcast_to(np.asarray(t50, dtype=float), shape))
    centre = centre + np.asarray(speed_sd, dtype=float) * rng.standard_normal(shape)
    spread = np.broadcast_to(np.asarray(sigma, dtype=float), shape)[:, None]
    times = np.broadcast_to(
        np.asarray(inspections, dtype=float), (*shape, np.shape(inspections)[-1])
    )
    with np.errstate(divide="ignore"):
        shown = ndtr((np.log(times) - centre[:, None]) / spread)
    return _counts(
        rng,
        number,
        np.broadcast_to(np.asarray(stand, dtype=float), shape),
        np.broadcast_to(np.asarray(correlation, dtype=float), shape),
        shown,
    )


def _counts(
    rng: np.random.Generator,
    seeds: IntArray,
    stand: FloatArray,
    correlation: FloatArray,
    shown: FloatArray,
) -> IntArray:
    """Counts from the share of the final stand that shows at each inspection."""
    rho = np.maximum(correlation, 1e-9)
    mean = np.clip(stand, 1e-9, 1.0 - 1e-9)
    strength = (1.0 - rho) / rho
    luck = np.where(correlation > 1e-9, rng.beta(mean * strength, (1.0 - mean) * strength), mean)
    steps = np.diff(np.maximum.accumulate(shown, axis=1), axis=1, prepend=0.0)
    cells = luck[:, None] * np.clip(steps, 0.0, 1.0)
    rest = np.clip(1.0 - cells.sum(axis=1, keepdims=True), 0.0, 1.0)
    cells = np.concatenate([cells, rest], axis=1)
    drawn = rng.multinomial(seeds, cells / cells.sum(axis=1, keepdims=True))
    return np.asarray(np.cumsum(drawn[:, :-1], axis=1), dtype=np.int64)


def simulate_records(
    crop: Crop,
    plots: pd.DataFrame,
    inspections_d: Sequence[float],
    rng: np.random.Generator,
    *,
    truth: Draws | None = None,
    soil: xr.DataArray | None = None,
    temperature_C: float | None = None,
    handling: Mapping[str, Handling] | None = None,
    viability: float = 1.0,
) -> pd.DataFrame:
    """Records of a trial of one crop, drawn from the same model that forecasts use.

    Parameters
    ----------
    crop : Crop
        With its estimate.
    plots : pandas.DataFrame
        One row per plot, as :func:`thermosprout.trials.records.read.plots` returns.
    inspections_d : sequence of float, rising
        Days since planting at which each plot is looked at.
    rng : numpy.random.Generator
    truth : dict of ndarray, optional
        True parameters in natural units, each of shape (1,); drawn from the estimate if absent.
    soil : xarray.DataArray, dims (time,), optional
        Hourly soil temperature; or else ``temperature_C``. [degC]
    temperature_C : float, optional
        Constant soil temperature, also written to the records. [degC]
    handling : mapping, optional
        Treatment label to what was done; by default as long as from ``started`` to ``planted``
        for the known labels, sown dry for others.
    viability : float
        Live share of the lot.

    Returns
    -------
    pandas.DataFrame
        As :func:`thermosprout.trials.records.read.read_records` returns.

    Raises
    ------
    InputError
        When neither or both of soil and constant temperature are given.
    """
    if (soil is None) == (temperature_C is None):
        raise InputError("give either a soil temperature series or a constant temperature")
    one = crop.estimate.draw(1, rng) if truth is None else truth
    days = np.asarray(inspections_d, dtype=float)
    counts = np.zeros((len(plots), days.size), dtype=np.int64)
    keys = ["treatment", "started", "planted", "depth_cm"]
    for _, rows in plots.fillna({"depth_cm": USUAL_DEPTH_CM}).groupby(keys, sort=False):
        where = plots.index.get_indexer(rows.index)
        first = rows.iloc[0]
        planted_h = first["planted"].value / _HOUR_NS
        lead_h = planted_h - first["started"].value / _HOUR_NS
        size = len(rows)
        values = {name: np.repeat(draw, size) for name, draw in one.items()}
        rates = ResponseDraws.from_draws(crop.response, values)
        clock: Clock = (
            ThermalClock(soil, rates)
            if soil is not None
            else ConstantClock(draws=rates, temperature_C=float(temperature_C or 0.0))
        )
        done = (handling or {}).get(first["treatment"]) or _handled(first["treatment"], lead_h)
        state = seed_state(
            crop,
            values,
            rates,
            done,
            depth_cm=float(first["depth_cm"]),
            ln_shift=values["plot_speed_sd"] * rng.standard_normal(size),
        )
        half_h = middle_h(clock, planted_h, state)
        share = stand_share(
            crop, values, state, clock, planted_h=planted_h, half_h=half_h,
            viability=np.full(size, viability),
        )  # fmt: skip
        shown = state.emerged(clock.progress(planted_h, planted_h + 24.0 * days))
        counts[where] = _counts(
            rng,
            rows["seeds_planted"].to_numpy(dtype=np.int64),
            share,
            values["plot_stand_rho"],
            shown,
        )
    return _as_records(plots, days, counts, temperature_C)


def _handled(label: str, lead_h: float) -> Handling:
    known = label.casefold()
    if known not in TREATMENTS or known == "direct":
        return Handling()
    if known == "soaked":
        return Handling(treatment=Treatment.SOAKED, soak_h=lead_h)
    return Handling(treatment=Treatment.PRESPROUTED, sprout_h=lead_h)


def _as_records(
    plots: pd.DataFrame, days: FloatArray, counts: IntArray, temperature_C: float | None
) -> pd.DataFrame:
    import pandas as pd

    size = days.size
    records = plots.loc[plots.index.repeat(size)].reset_index(drop=True)
    records = records.drop(columns=["inspections", "last_inspected", "final"], errors="ignore")
    waits = pd.to_timedelta(np.tile(np.round(days * 86_400.0), len(plots)), unit="s")
    records["inspected"] = (records["planted"] + waits).astype("datetime64[ns]")
    records["emerged"] = counts.ravel()
    if temperature_C is not None:
        records["temperature_C"] = float(temperature_C)
    for name in ("started", "planted", "inspected"):
        records[f"{name}_local"] = records[name].dt.strftime("%Y-%m-%dT%H:%M:%SZ")
    records["line"] = np.arange(len(records)) + 2
    records["stations_filled"] = np.nan
    for name in ("note", "observer"):
        records[name] = ""
    for name in ("first_harvest", "entered"):
        if name not in records:
            records[name] = pd.Series(pd.NaT, index=records.index, dtype="datetime64[ns]")
    return records
