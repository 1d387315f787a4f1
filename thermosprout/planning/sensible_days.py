"""From the figures of a sowing window to two days: the earliest sensible one and the last."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import xarray as xr

from thermosprout.arrays import BoolArray, FloatArray
from thermosprout.planning.compare import WORTH_DAYS
from thermosprout.planning.options import SOWN_AGAIN_BELOW

IN_TIME_ODDS = 0.8
STAND_OF_BEST = 0.8
FROST_RISK = 0.1
HARVEST_ODDS = 0.8

_IN_A_ROW = 7


@dataclass(frozen=True, kw_only=True)
class SensibleDays:
    """Days of one cover and treatment; None where no day of the window will do.

    Attributes
    ----------
    earliest, last : numpy.datetime64 or None
        Planting, UTC.
    early_reason, late_reason : str
        What stands in the way before the earliest and after the last day.
    """

    cover: str
    treatment: str
    earliest: np.datetime64 | None
    last: np.datetime64 | None
    early_reason: str
    late_reason: str


def sensible_days(
    window: xr.Dataset, *, in_time_odds: float = IN_TIME_ODDS, harvest_odds: float = HARVEST_ODDS
) -> tuple[SensibleDays, ...]:
    """Find the sensible days for each cover and treatment of a sowing window.

    Parameters
    ----------
    window : xarray.Dataset
        From :func:`thermosprout.planning.window.sowing_window`.
    in_time_odds : float
        Odds of half emergence in time that a day must have.
    harvest_odds : float
        Odds of a harvest before the first hard frost that a day must have, where air
        temperature is known.
    """
    return tuple(
        _of(window.sel(cover=cover, treatment=treatment), in_time_odds, harvest_odds)
        for cover in window["cover"].values
        for treatment in window["treatment"].values
    )


@dataclass(frozen=True, kw_only=True)
class BestDay:
    """Planting with the fewest bed-days per full row, from the first day of a window on.

    Attributes
    ----------
    wait_d : float
        Days that the bed waits for it. [d]
    bed_days : float
        Waiting and growing to first harvest, in the middle of what is expected. [d]
    stand : float
        Final stand as a share of the seeds planted, in the middle of what is expected.
    """

    cover: str
    treatment: str
    day: np.datetime64
    wait_d: float
    bed_days: float
    stand: float


def best_day(window: xr.Dataset, *, worth_d: float = WORTH_DAYS) -> BestDay | None:
    """Find the day, treatment and cover with the fewest bed-days per full row.

    Parameters
    ----------
    window : xarray.Dataset
        Its first day is the day the bed is free.
    worth_d : float
        Waiting, a cover or more handling must save at least so many days, counted from the first
        treatment under the first cover on the first day. [d]

    Returns
    -------
    BestDay or None
        None where first harvest is not seen.

    Notes
    -----
    The row is taken as full at the best stand of the window; a stand less full costs bed-days in
    proportion, as gaps use the bed too.
    """
    days = window["days_to_harvest"].sel(probability=0.5, method="nearest").values
    stand = window["stand"].values
    stamps = window["sowing"].values
    wait = (stamps - stamps[0]) / np.timedelta64(1, "D")
    full = np.clip(stand / max(float(np.nanmax(stand, initial=0.0)), 1e-9), SOWN_AGAIN_BELOW, 1.0)
    cost = np.where(np.isfinite(days), (wait + days) / full, np.inf)
    if not np.isfinite(cost).any():
        return None
    place = np.unravel_index(int(np.argmin(cost)), cost.shape)
    if cost[0, 0, 0] - cost[place] < worth_d:
        place = (np.intp(0), np.intp(0), np.intp(0))
    cover, treatment, day = (int(index) for index in place)
    return BestDay(
        cover=str(window["cover"].values[cover]),
        treatment=str(window["treatment"].values[treatment]),
        day=stamps[day],
        wait_d=float(wait[day]),
        bed_days=float(wait[day] + days[cover, treatment, day]),
        stand=float(stand[cover, treatment, day]),
    )


def _of(one: xr.Dataset, in_time_odds: float, harvest_odds: float) -> SensibleDays:
    stamps = one["sowing"].values
    stand = one["stand"].values
    days = float(one.attrs["within_days"])
    tests: list[tuple[BoolArray, str]] = [
        (
            one["odds_in_time"].values >= in_time_odds,
            f"half the row would take longer than {days:g} days to come up",
        ),
        (stand >= STAND_OF_BEST * np.nanmax(stand, initial=0.0), "too many seeds are lost"),
    ]
    if "frost_risk" in one and one.attrs["tender"]:
        tests.append(
            (
                _where_known(one["frost_risk"].values, high=FROST_RISK),
                "frost may take the seedlings",
            )
        )
    if "odds_harvest_before_frost" in one:
        tests.append(
            (
                _where_known(one["odds_harvest_before_frost"].values, low=harvest_odds),
                "first harvest may not come before the first hard frost",
            )
        )
    good = np.logical_and.reduce([passed for passed, _ in tests])
    first = _first_run(good)
    cover, treatment = str(one["cover"].values), str(one["treatment"].values)
    if first is None:
        share = np.mean([passed for passed, _ in tests], axis=1)
        reason = f"no suitable day: {tests[int(np.argmin(share))][1]}"
        return SensibleDays(
            cover=cover,
            treatment=treatment,
            earliest=None,
            last=None,
            early_reason=reason,
            late_reason="",
        )
    last = int(np.flatnonzero(good)[-1])
    return SensibleDays(
        cover=cover,
        treatment=treatment,
        earliest=stamps[first],
        last=stamps[last],
        early_reason=_why_not(tests, first - 1),
        late_reason=_why_not(tests, last + 1),
    )


def _where_known(values: FloatArray, *, low: float = 0.0, high: float = 1.0) -> BoolArray:
    """Whether values lie between bounds; what is not known stands in nobody's way."""
    return np.asarray(np.isnan(values) | ((values >= low) & (values <= high)))


def _first_run(good: BoolArray) -> int | None:
    """First day of the first week that is good throughout (or to the window's end)."""
    length = min(_IN_A_ROW, good.size)
    runs = np.convolve(good.astype(int), np.ones(length, dtype=int), mode="valid") == length
    return int(np.argmax(runs)) if runs.any() else None


def _why_not(tests: list[tuple[BoolArray, str]], day: int) -> str:
    if not 0 <= day < tests[0][0].size:
        return "the window ends there"
    reasons = [reason for passed, reason in tests if not passed[day]]
    return reasons[0] if reasons else "the weeks beside it are not good throughout"
