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
    return np.asarray(start + np.timedelta64(round(days * 24 * 60), "m"), dtype="datetime64[ns]")[()]


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
        Expected share of the seeds planted that emerges.
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

    Notes
    -----
    Odds between the three points of the days to harvest are taken from a normal curve through
    them on the logarithm of days, as the spread of thermal time is log-normal. A crop that uses
    more of the opening stands before one that leaves the bed empty, if both are ready in time.
    """
    fits: list[Fit] = []
    for opening in openings:
        found: list[Fit] = []
        for crop, window in windows.items():
            one = window.isel(cover=0) if cover is None else window.sel(cover=cover)
            gap = np.abs((one["sowing"].values - opening.start) / np.timedelta64(1, "D"))
            index = int(np.argmin(gap))
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
                        ready_odds=_odds_within(days, opening.days),
                        spare_d=float(opening.days - days[1]),
                        stand=float(at["stand"]),
                    )
                )
        fits.extend(sorted(found, key=lambda fit: (fit.ready_odds < 0.8, _rank(fit))))
    return tuple(fits)


def _rank(fit: Fit) -> float:
    return fit.spare_d if fit.ready_odds >= 0.8 else -fit.ready_odds


def _odds_within(days: FloatArray, limit: float) -> float:
    """Odds of no more than ``limit`` days from the 10, 50 and 90 % points."""
    from scipy.special import ndtr

    low, middle, high = days
    if not np.isfinite(middle) or limit <= 0:
        return 0.0 if limit <= 0 or not np.isfinite(low) or limit < low else 0.3
    side = high if limit >= middle and np.isfinite(high) else low
    spread = abs(np.log(side / middle)) / 1.2816
    if limit >= middle and not np.isfinite(high):
        spread = max(spread, 0.3)
    return float(ndtr(np.log(limit / middle) / max(spread, 1e-3)))
