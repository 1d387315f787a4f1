"""Counts turned into what they say of time: between which looks seedlings came, and how surely.

Thermal time between planting and each inspection is the clock that takes the weather out. Half
emergence is read from a log-normal fit to each plot where that fits, and else from the counts
themselves: the step curve, which knows no shape.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt

from thermosprout.emergence.response import ResponseDraws
from thermosprout.emergence.thermal_time import ThermalClock
from thermosprout.errors import CoverageError, InputError
from thermosprout.quantities import BoolArray, FloatArray
from thermosprout.special import chdtrc, ndtr
from thermosprout.trials.analysis.curves import LogNormalFits

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

    from thermosprout.crops.crop import Crop
    from thermosprout.crops.estimate import Estimate
    from thermosprout.emergence.response import Shape


ClockName = Literal["planted", "started", "thermal"]


def plot_intervals(
    records: pd.DataFrame, clock: ClockName = "planted", thermal: npt.ArrayLike | None = None
) -> pd.DataFrame:
    """Interval- and right-censored emergence times of every plot.

    A seedling counted at one inspection and not at the one before came up in between; seed that
    never showed is kept with an open end.

    Parameters
    ----------
    records : pandas.DataFrame
        As :func:`thermosprout.trials.records.read.read_records` returns.
    clock : {"planted", "started", "thermal"}
        Days since planting, days since the seed first met water or soil, or thermal time since
        planting.
    thermal : array_like, shape (row,), optional
        Thermal time from planting to the inspection of each row; needed by ``thermal``. [C d]

    Returns
    -------
    pandas.DataFrame
        ``plot``, ``left``, ``right`` (inf = not up by the last inspection), ``seeds`` (above
        zero), in the order of plots and time. A time ``t`` lies in ``left < t <= right``. [d] or
        [C d]

    Raises
    ------
    InputError
        When the thermal clock is asked for without thermal time.
    """
    import pandas as pd

    lead = days_between(records["started"], records["planted"]) if clock == "started" else 0.0
    since: npt.ArrayLike = days_between(records["planted"], records["inspected"])
    if clock == "thermal":
        if thermal is None:
            raise InputError("the thermal-time clock needs a soil temperature")
        since = thermal
    looks = pd.DataFrame(
        {
            "plot": records["plot"],
            "code": pd.factorize(records["plot"])[0],
            "right": np.maximum(since, 0.0) + lead,
            "begin": lead,
            "emerged": records["emerged"].astype(float),
            "planted": records["seeds_planted"].astype(float),
        }
    )
    looks = looks[records["inspected"].notna()].sort_values(["code", "right"], kind="stable")
    before = looks.groupby("code")[["right", "emerged"]].shift()
    looks["left"] = before["right"].fillna(looks["begin"])
    looks["seeds"] = looks["emerged"] - before["emerged"].fillna(0.0)
    rest = looks.drop_duplicates("code", keep="last")
    rest = rest.assign(left=rest["right"], right=np.inf, seeds=rest["planted"] - rest["emerged"])
    both = pd.concat([looks, rest])
    both = both[both["seeds"] > 0].sort_values(["code", "left"], kind="stable")
    return both[["plot", "left", "right", "seeds"]].reset_index(drop=True)


def days_between(earlier: pd.Series, later: pd.Series) -> FloatArray:
    """Days from one instant to another, shape (row,). [d]"""
    return np.asarray((later - earlier).dt.total_seconds().to_numpy(dtype=float) / 86_400.0)


def padded(
    group: npt.NDArray[np.intp], groups: int, *columns: FloatArray
) -> tuple[FloatArray, ...]:
    """Columns of intervals as arrays of shape (group, k), missing ones filled with NaN.

    Parameters
    ----------
    group : ndarray of int, shape (interval,), rising
        Which group each interval belongs to.
    """
    sizes = np.bincount(group, minlength=groups)
    position = np.arange(group.size) - np.repeat(np.cumsum(sizes) - sizes, sizes)
    width = int(sizes.max()) if sizes.size else 0
    tables = []
    for column in columns:
        table = np.full((groups, width), np.nan)
        table[group, position] = column
        tables.append(table)
    return tuple(tables)


_HOUR_NS = 3.6e12


def central_response(estimate: Estimate, shape: Shape) -> ResponseDraws:
    """Temperature response at the centre of an estimate, as a single draw."""
    centre = {name: np.array([value]) for name, value in estimate.centre().items()}
    return ResponseDraws.from_draws(shape, centre)


def thermal_times(
    records: pd.DataFrame, response: ResponseDraws, soil: xr.DataArray | None = None
) -> FloatArray:
    """Thermal time from planting to the inspection of every row.

    Parameters
    ----------
    records : pandas.DataFrame
        As :func:`thermosprout.trials.records.read.read_records` returns; a row with
        ``temperature_C`` was held at that temperature, the others lay in ``soil``.
    response : ResponseDraws
        Of one draw.
    soil : xarray.DataArray, dims (time,), optional
        Hourly soil temperature. [degC]

    Returns
    -------
    ndarray, shape (row,)
        NaN where a plot has no inspection yet. [C d]

    Raises
    ------
    InputError
        When neither a soil temperature nor a constant one is known of a row.
    CoverageError
        When the soil temperature does not cover a planting or an inspection.
    """
    planted, inspected = (
        records[name].to_numpy().astype("datetime64[ns]").astype("int64") / _HOUR_NS
        for name in ("planted", "inspected")
    )
    constant = records["temperature_C"].to_numpy(dtype=float)
    counted = records["inspected"].notna().to_numpy()
    result = np.full(len(records), np.nan)
    for temperature in np.unique(constant[counted & np.isfinite(constant)]):
        rows = counted & (constant == temperature)
        rate = float(response.at(np.array([temperature]))[0])
        result[rows] = rate * np.maximum(inspected[rows] - planted[rows], 0.0) / 24.0
    open_ground = counted & np.isnan(constant)
    if not open_ground.any():
        return result
    if soil is None:
        row = records.loc[open_ground].iloc[0]
        raise InputError(
            f"the soil temperature of plot {row['plot']} is not known",
            hint="give a soil temperature series, or its constant temperature in temperature_C",
        )
    clock = ThermalClock(soil, response)
    for start in np.unique(planted[open_ground]):
        rows = open_ground & (planted == start)
        ends = inspected[rows]
        if ends.max() > clock.end_h(start) + 1.0:
            raise CoverageError(
                "the soil temperature ends, or has a hole, before the inspection of "
                f"{records.loc[rows, 'inspected_local'].iloc[int(ends.argmax())]}"
            )
        result[rows] = clock.progress(float(start), np.maximum(ends, start))[0]
    return result


def thermal_clock(
    records: pd.DataFrame, crop: str | Crop = "", soil: xr.DataArray | None = None
) -> tuple[FloatArray | None, list[str]]:
    """Thermal time of every row of the records, where a temperature is known.

    Parameters
    ----------
    records : pandas.DataFrame
        See :func:`thermal_times`.
    crop : str or Crop
        For its response; a crop of which nothing is known when empty.
    soil : xarray.DataArray, dims (time,), optional
        Hourly soil temperature. [degC]

    Returns
    -------
    tuple of (ndarray or None, list of str)
        Thermal time [C d], None without a temperature; and what was assumed.
    """
    if soil is None and not records["temperature_C"].notna().all():
        return None, []
    from thermosprout.crops.catalogue import find_crop
    from thermosprout.crops.estimate import Estimate

    if crop:
        sown = find_crop(crop) if isinstance(crop, str) else crop
        return thermal_times(records, central_response(sown.estimate, sown.response), soil), []
    response = central_response(Estimate.generic("unnamed"), "linear")
    base = float(response.t_base[0])
    assumed = (
        f"thermal time was summed above {base:g} °C, as for a crop that is not known; name the "
        "crop (--crop) for its own base temperature"
    )
    return thermal_times(records, response, soil), [assumed]


EARLY_SHARE = 0.75
"""A treatment of which more than this was up by the first look cannot be timed."""

LATE_SHARE = 0.1
"""Share of a stand that may still come, by the rate of coming, before it counts as unfinished."""

_MISFIT_P = 0.01
_EXPECTED = 3.0
_FALLING = 0.8
_FEW_LATE = 0.05
_LULL = 0.7


@dataclass(frozen=True, kw_only=True)
class PlotTiming:
    """What the looks at each plot say of time; arrays of shape (plot,).

    Attributes
    ----------
    looks : ndarray
        Inspections.
    came, early, late, before_late : ndarray
        Seedlings in all, by the first look, in the last quarter of the time from the first
        seedling to the last look, and in the quarter before that.
    """

    looks: FloatArray
    came: FloatArray
    early: FloatArray
    late: FloatArray
    before_late: FloatArray

    def timed(self, plots: BoolArray) -> bool:
        """Whether half emergence of these plots lies between looks, most of it after the first."""
        looked = plots & (self.looks > 1) & (self.came > 0)
        return bool(looked.any()) and (
            self.early[looked].sum() <= EARLY_SHARE * self.came[looked].sum()
        )

    def still_to_come(self, plots: BoolArray) -> float:
        """Seedlings that may still come in these plots, by the rate at which they last came.

        Notes
        -----
        A falling rate is taken to fall on at the same ratio from quarter to quarter: what came
        last, times q / (1 - q). Infinite where the rate hardly falls, as after a single look.
        """
        late, before = float(self.late[plots].sum()), float(self.before_late[plots].sum())
        if late <= 1e-9:
            return 0.0
        ratio = late / before if before > 0 else np.inf
        onward = ratio / (1.0 - ratio) if ratio < _FALLING else np.inf
        if late <= _FEW_LATE * self.came[plots].sum():  # a straggler or two
            onward = min(onward, 2.0)
        return late * onward

    def unfinished(self, plots: BoolArray) -> bool:
        """Whether too much may still come for the stand to be known."""
        return self.still_to_come(plots) > LATE_SHARE * float(self.came[plots].sum())


def plot_timing(
    left: FloatArray, right: FloatArray, seeds: FloatArray, looks: FloatArray, last: FloatArray
) -> PlotTiming:
    """Read the looks at each plot.

    Parameters
    ----------
    left, right, seeds : ndarray, shape (plot, interval)
        Intervals in which seedlings came, in order of time; NaN where a plot has fewer.
    looks, last : ndarray, shape (plot,)
        Number of inspections, and day of the last one. [d]
    """
    came = np.where(np.isfinite(right), np.nan_to_num(seeds), 0.0)
    start = np.min(np.where(came > 0, left, np.inf), axis=1)
    quarter = np.where(np.isfinite(start), (last - start) / 4.0, 0.0)

    def between(begin: FloatArray, end: FloatArray) -> FloatArray:
        """Seedlings of a span, those of one interval spread evenly over it."""
        with np.errstate(invalid="ignore"):
            part = np.minimum(right, end[:, None]) - np.maximum(left, begin[:, None])
            return np.asarray(np.nansum(came * np.clip(part / (right - left), 0.0, 1.0), axis=1))

    return PlotTiming(
        looks=looks,
        came=came.sum(axis=1),
        early=np.where(left <= 0, came, 0.0).sum(axis=1),
        late=between(last - quarter, last),
        before_late=between(last - 2.0 * quarter, last - quarter),
    )


@dataclass(frozen=True, kw_only=True)
class ShapeCheck:
    """Whether the log-normal fits the counts.

    Attributes
    ----------
    p_value : float
        Of all plots together.
    plot_p : ndarray, shape (plot,)
        Of each plot alone; NaN where its counts are too few to say.
    """

    p_value: float
    plot_p: FloatArray

    @property
    def fits(self) -> bool:
        """Whether the log-normal may be used."""
        return not self.p_value < _MISFIT_P


def check_shape(
    left: FloatArray, right: FloatArray, seeds: FloatArray, fits: LogNormalFits
) -> ShapeCheck:
    """Hold every plot's fit against its step curve.

    Parameters
    ----------
    left, right, seeds : ndarray, shape (plot, interval)
        NaN where a plot has fewer intervals.
    fits : LogNormalFits

    Notes
    -----
    Pearson's chi-square over the looks, neighbours joined until about three seedlings are
    expected; of the seedlings that came, so that the final share is not judged. Two parameters a
    plot count as fitted.
    """
    came = np.where(np.isfinite(right), np.nan_to_num(seeds), 0.0)
    size, width = left.shape
    # Looks at which nothing new was seen lie between the intervals that hold seedlings.
    edges = np.zeros((size, 2 * width + 1))
    reach = np.where(came > 0, right, np.nan)
    edges[:, 1::2], edges[:, 2::2] = np.where(came > 0, left, np.nan), reach
    edges = np.fmax.accumulate(np.nan_to_num(edges), axis=1)
    last = np.nanmax(np.where(np.isfinite(left), left, np.nan), axis=1, initial=0.0)
    edges = np.concatenate([edges, np.maximum(edges[:, -1:], last[:, None])], axis=1)
    with np.errstate(divide="ignore"):
        below = ndtr((np.log(edges) - fits.mu[:, None]) / fits.sigma[:, None])
    total = came.sum(axis=1)
    top = np.maximum(below[:, -1:], 1e-12)
    expected = total[:, None] * np.diff(below, axis=1) / top
    observed = np.zeros(expected.shape)
    observed[:, 1:-1:2] = came
    group = np.floor((np.cumsum(expected, axis=1) - 0.5 * expected) / _EXPECTED).astype(int)
    most = int(group.max(initial=0)) + 1
    where = (np.arange(size)[:, None] * most + np.clip(group, 0, most - 1)).ravel()
    expected_sum = np.bincount(where, expected.ravel(), size * most).reshape(size, most)
    observed_sum = np.bincount(where, observed.ravel(), size * most).reshape(size, most)
    used = expected_sum > 0.5
    with np.errstate(divide="ignore", invalid="ignore"):
        square = np.where(used, (observed_sum - expected_sum) ** 2 / expected_sum, 0.0).sum(axis=1)
    free = used.sum(axis=1) - 2
    judged = free >= 1
    plot_p = np.where(judged, chdtrc(np.maximum(free, 1), square), np.nan)
    whole = float(chdtrc(free[judged].sum(), square[judged].sum())) if judged.any() else np.nan
    return ShapeCheck(p_value=whole, plot_p=plot_p)


def step_quantile(
    left: FloatArray, right: FloatArray, seeds: FloatArray, share: float
) -> FloatArray:
    """Time by which a share of the seedlings counted was up, straight within an interval.

    Parameters
    ----------
    left, right, seeds : ndarray, shape (plot, interval)
        In order of time; NaN where a plot has fewer.
    share : float

    Returns
    -------
    ndarray, shape (plot,)
        NaN where nothing came.
    """
    came = np.where(np.isfinite(right), np.nan_to_num(seeds), 0.0)
    running = np.cumsum(came, axis=1)
    total = running[:, -1]
    target = share * total
    index = np.argmax(running >= target[:, None] - 1e-9, axis=1)
    rows = np.arange(len(came))
    step = came[rows, index]
    with np.errstate(invalid="ignore", divide="ignore"):
        part = (target - (running[rows, index] - step)) / step
        time = left[rows, index] + part * (right[rows, index] - left[rows, index])
    return np.where(total > 0, time, np.nan)


def step_variance(left: FloatArray, right: FloatArray, seeds: FloatArray) -> FloatArray:
    """Variance of ln half emergence from chance among seeds, of the step curve; shape (plot,).

    Notes
    -----
    Half the distance between the quantiles one standard error of a share below and above a half
    (Woodruff 1952, J. Am. Stat. Assoc. 47:635-646).
    """
    came = np.where(np.isfinite(right), np.nan_to_num(seeds), 0.0).sum(axis=1)
    result = np.full(came.shape, np.nan)
    for number in np.unique(came[came > 0]):
        rows = came == number
        away = min(0.5 / np.sqrt(number), 0.49)
        low, high = (
            step_quantile(left[rows], right[rows], seeds[rows], 0.5 + sign * away)
            for sign in (-1, 1)
        )
        result[rows] = (0.5 * np.log(high / np.maximum(low, 1e-3))) ** 2
    return np.maximum(result, 1e-6)


def two_flushes(
    left: Sequence[float] | FloatArray, right: FloatArray, seeds: FloatArray
) -> tuple[float, float] | None:
    """Days of two flushes with a lull between them; None where seedlings came in one.

    Parameters
    ----------
    left, right, seeds : ndarray, shape (interval,)
        Of all plots of a treatment; open ends are left out.

    Notes
    -----
    Each flush holds at least 15 % of the seedlings, the rate in the lull is under 70 % of the
    highest rate on either side, and by more than chance (one standard error) would make it.
    """
    begin, end, number = (np.asarray(x, dtype=float) for x in (left, right, seeds))
    closed = np.isfinite(end) & (number > 0)
    begin, end, number = begin[closed], end[closed], number[closed]
    if number.sum() < 20:
        return None
    grid = np.linspace(begin.min(), end.max(), 25)
    part = np.minimum(end[:, None], grid[None, 1:]) - np.maximum(begin[:, None], grid[None, :-1])
    rate = (number[:, None] * np.clip(part / (end - begin)[:, None], 0.0, 1.0)).sum(axis=0)
    # Three cells at a time, so that chance in one of them makes no lull.
    smooth = np.convolve(rate, np.ones(3), mode="valid")
    share = np.cumsum(rate)[1:-1] / rate.sum()
    for at in np.argsort(smooth):
        if not 0.15 <= share[at] <= 0.85:
            continue
        peak = min(smooth[:at].max(initial=0.0), smooth[at + 1 :].max(initial=0.0))
        if smooth[at] < _LULL * peak and peak - smooth[at] > np.sqrt(peak + smooth[at]):
            middle = grid[at + 1 : at + 3].mean()
            days = 0.5 * (begin + end)
            return (
                _median(days[days <= middle], number[days <= middle]),
                _median(days[days > middle], number[days > middle]),
            )
    return None


def _median(days: FloatArray, number: FloatArray) -> float:
    order = np.argsort(days)
    running = np.cumsum(number[order])
    return float(days[order][np.searchsorted(running, 0.5 * running[-1])])
