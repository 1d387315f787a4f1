"""Rows that come even: sowing days for even emergence or harvest, and crops for bed openings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt
import xarray as xr

from thermosprout.errors import InputError

FloatArray = npt.NDArray[np.float64]

FINE_PROBABILITIES = (0.02, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.98)
"""Points of the days to harvest from which odds of being ready in time are read."""

READY_ODDS = 0.8


class Aim(StrEnum):
    """What shall come at even intervals."""

    EMERGENCE = "emergence"
    HARVEST = "harvest"


@dataclass(frozen=True, kw_only=True)
class SuccessionSowing:
    """One sowing of a succession.

    Attributes
    ----------
    sow : numpy.datetime64
        Planting, UTC.
    target, early, late : numpy.datetime64
        When it shall be ready, and the 10 and 90 % points of when it will; NaT past the horizon.
    miss_d : float
        How far the middle of what is expected lies from the target; later is positive. [d]
    """

    sow: np.datetime64
    target: np.datetime64
    middle: np.datetime64
    early: np.datetime64
    late: np.datetime64
    miss_d: float


def plan_succession(
    window: xr.Dataset, *, first: np.datetime64, every_d: float, count: int, aim: Aim
) -> tuple[SuccessionSowing, ...]:
    """Choose sowing days so that rows are ready at even intervals.

    Parameters
    ----------
    window : xarray.Dataset
        One cover and one treatment of a sowing window.
    first : numpy.datetime64
        First sowing, UTC; what it is ready on sets the first target.
    every_d : float
        Interval between the rows being ready. [d]
    count : int
        Number of sowings.
    aim : Aim
        Half emergence or first harvest.

    Returns
    -------
    tuple of SuccessionSowing
        Fewer than ``count`` where the season is over before; never two on one day.

    Raises
    ------
    InputError
        When the first day lies outside the window or never gets ready.
    """
    if not 0 < every_d <= 365 or not 1 <= count <= 200:
        raise InputError("a succession has 1 to 200 sowings, 0 to 365 days apart")
    stamps = window["sowing"].values
    days = window["days_to_half" if aim is Aim.EMERGENCE else "days_to_harvest"]
    early, middle, late = (days.sel(probability=p).values for p in (0.1, 0.5, 0.9))
    sown = (stamps - stamps[0]) / np.timedelta64(1, "D")
    index = int(np.argmin(np.abs((stamps - first) / np.timedelta64(1, "h"))))
    if abs((stamps[index] - first) / np.timedelta64(1, "D")) > 1.0:
        raise InputError(
            f"the first sowing, {str(first)[:10]}, lies outside the window "
            f"({str(stamps[0])[:10]} to {str(stamps[-1])[:10]})"
        )
    ready = sown + middle
    if not np.isfinite(ready[index]):
        raise InputError(f"a row sown on {str(first)[:10]} is not ready within the horizon")
    sowings: list[SuccessionSowing] = []
    previous = index - 1
    for number in range(count):
        target = ready[index] + number * every_d
        later = np.arange(previous + 1, stamps.size)
        finite = later[np.isfinite(ready[later])]
        if not finite.size or ready[finite].max() < target - 0.5 * every_d:
            break
        chosen = int(finite[np.argmin(np.abs(ready[finite] - target))])
        sowings.append(
            SuccessionSowing(
                sow=stamps[chosen],
                target=_stamp(stamps[0], target),
                middle=_stamp(stamps[chosen], middle[chosen]),
                early=_stamp(stamps[chosen], early[chosen]),
                late=_stamp(stamps[chosen], late[chosen]),
                miss_d=float(ready[chosen] - target),
            )
        )
        previous = chosen
    return tuple(sowings)


def _stamp(start: np.datetime64, days: float) -> np.datetime64:
    if not np.isfinite(days):
        return np.datetime64("NaT", "ns")
    minutes = np.timedelta64(round(days * 24 * 60), "m")
    result: np.datetime64 = start + minutes
    return result


@dataclass(frozen=True, kw_only=True)
class Opening:
    """A bed that is empty for a while (UTC)."""

    bed: str
    start: np.datetime64
    end: np.datetime64

    @property
    def days(self) -> float:
        """Length of the opening. [d]"""
        return float((self.end - self.start) / np.timedelta64(1, "D"))


@dataclass(frozen=True, kw_only=True)
class Fit:
    """How one crop and treatment would do in one opening.

    Attributes
    ----------
    ready_odds : float
        Odds that first harvest comes before the bed is wanted.
    spare_d : float
        Days left after first harvest, in the middle of what is expected; negative when late.
    stand : float
        Final stand as a share of the seeds planted, in the middle of what is expected.
    """

    opening: Opening
    crop: str
    treatment: str
    ready_odds: float
    spare_d: float
    stand: float


def fit_openings(
    windows: Mapping[str, xr.Dataset], openings: Sequence[Opening], *, cover: str | None = None
) -> tuple[Fit, ...]:
    """Which crop and treatment fits which gap, best first within each opening.

    Parameters
    ----------
    windows : mapping of str to xarray.Dataset
        Sowing window of each crop, holding the first day of each opening.
    openings : sequence of Opening
        Gaps.
    cover : str, optional
        Cover of the windows to use; the first when absent.

    Raises
    ------
    InputError
        When an opening begins outside the windows.

    Notes
    -----
    A crop that uses more of the opening stands before one that leaves the bed empty, if both are
    ready in time. Ask the windows for :data:`FINE_PROBABILITIES`.
    """
    fits: list[Fit] = []
    for opening in openings:
        found: list[Fit] = []
        for crop, window in windows.items():
            one = window.isel(cover=0) if cover is None else window.sel(cover=cover)
            gap = np.abs((one["sowing"].values - opening.start) / np.timedelta64(1, "D"))
            index = int(np.argmin(gap))
            points = one["probability"].values
            middle = int(np.argmin(np.abs(points - 0.5)))
            if gap[index] > 1.0:
                raise InputError(
                    f"bed {opening.bed} opens on {str(opening.start)[:10]}, outside the season "
                    "asked for"
                )
            for treatment in one["treatment"].values:
                at = one.sel(treatment=treatment).isel(sowing=index)
                days = at["days_to_harvest"].values
                found.append(
                    Fit(
                        opening=opening,
                        crop=crop,
                        treatment=str(treatment),
                        ready_odds=_odds_within(days, points, opening.days),
                        spare_d=float(opening.days - days[middle]),
                        stand=float(at["stand"]),
                    )
                )
        fits.extend(sorted(found, key=lambda fit: (fit.ready_odds < READY_ODDS, _rank(fit))))
    return tuple(fits)


def _rank(fit: Fit) -> float:
    return fit.spare_d if fit.ready_odds >= READY_ODDS else -fit.ready_odds


def _odds_within(days: FloatArray, probabilities: FloatArray, limit: float) -> float:
    """Odds of no more than ``limit`` days, between the points at which days are known."""
    if limit <= 0:
        return 0.0
    finite = np.isfinite(days)
    if not finite.any():
        return 0.0
    low, high = days[finite], probabilities[finite]
    if limit >= low[-1]:
        return float(high[-1]) if not finite.all() else 1.0
    return float(np.interp(limit, np.concatenate([[0.0], low]), np.concatenate([[0.0], high])))
