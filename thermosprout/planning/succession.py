"""Rows that follow each other evenly: sowing days so that one row after the other is ready."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum
from zoneinfo import ZoneInfo

import numpy as np
import xarray as xr

from thermosprout.crops.crop import cautions
from thermosprout.errors import InputError
from thermosprout.planning.options import option_named
from thermosprout.planning.season_window import EMERGENCE_D, HARVEST_D, WindowBuilder
from thermosprout.season.context import Context
from thermosprout.season.schema import Document, day_stamp, utc_stamp
from thermosprout.season.setting import Case


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
    target, early, middle, late : numpy.datetime64
        When it shall be ready, and the odds of when it will; NaT past the horizon.
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
    sowing_d = (stamps - stamps[0]) / np.timedelta64(1, "D")
    index = int(np.argmin(np.abs((stamps - first) / np.timedelta64(1, "h"))))
    if abs((stamps[index] - first) / np.timedelta64(1, "D")) > 1.0:
        raise InputError(
            f"the first sowing, {str(first)[:10]}, lies outside the window "
            f"({str(stamps[0])[:10]} to {str(stamps[-1])[:10]})"
        )
    ready = sowing_d + middle
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
        choice = int(finite[np.argmin(np.abs(ready[finite] - target))])
        sowings.append(
            SuccessionSowing(
                sow=stamps[choice],
                target=_after(stamps[0], target),
                middle=_after(stamps[choice], middle[choice]),
                early=_after(stamps[choice], early[choice]),
                late=_after(stamps[choice], late[choice]),
                miss_d=float(ready[choice] - target),
            )
        )
        previous = choice
    return tuple(sowings)


def _after(start: np.datetime64, days: float) -> np.datetime64:
    """Instant some days after another, NaT past the horizon."""
    return start + (utc_stamp(24.0 * days) - utc_stamp(0.0))


@dataclass(frozen=True, kw_only=True)
class SuccessionAnswer:
    """Sowings of one crop that come at even intervals; ``count`` of them were asked for."""

    sowings: tuple[SuccessionSowing, ...]
    zone: ZoneInfo
    crop: str
    treatment: str
    aim: Aim
    every_d: float
    count: int
    water: str
    cautions: tuple[str, ...] = ()

    @property
    def notes(self) -> tuple[str, ...]:
        """Plain sentences on what the days stand on."""
        verb = "is" if len(self.sowings) == 1 else "are"
        short = (
            f"Only {len(self.sowings)} of {self.count} sowings {verb} ready before the temperature "
            "record ends."
        )
        return (self.water, short) if len(self.sowings) < self.count else (self.water,)

    def to_dict(self) -> Document:
        """Return the JSON document."""
        zone, sown = self.zone, [one.sow for one in self.sowings]
        apart = [None, *(round(float(gap / np.timedelta64(1, "D")), 1) for gap in np.diff(sown))]
        return {
            "crop": self.crop,
            "treatment": self.treatment,
            "aim": self.aim.value,
            "every_days": self.every_d,
            "sowings_asked": self.count,
            "sowings": [
                {
                    "planted": day_stamp(one.sow, zone),
                    "days_since_last": days,
                    "wanted": day_stamp(one.target, zone),
                    "p10": day_stamp(one.early, zone),
                    "p50": day_stamp(one.middle, zone),
                    "p90": day_stamp(one.late, zone),
                    "off_by_days": round(one.miss_d, 1) + 0.0,
                }
                for one, days in zip(self.sowings, apart, strict=False)
            ],
            "cautions": list(self.cautions),
            "notes": list(self.notes),
        }


def plan_case(
    context: Context,
    case: Case,
    *,
    first: date,
    every_d: float,
    count: int,
    aim: Aim,
    treatment: str,
) -> SuccessionAnswer:
    """Sowing days of a succession.

    Raises
    ------
    InputError
        When the treatment makes no sense.
    CoverageError
        When the record does not hold the first day.
    """
    option = option_named(case.crop, treatment, dressed=case.dressed)
    # While the season warms, what is sown later catches up, so sowings lie further apart than
    # what they give; twice as far is more than enough.
    last = first + timedelta(days=min(int(np.ceil(2 * every_d * count)) + 14, 365))
    builder = WindowBuilder(context, first=first, last=_last_day(context, case, first, last))
    one = builder.window(case, (option,)).isel(cover=0, treatment=0)
    day = utc_stamp(float(builder.sowing_h[0]))
    return SuccessionAnswer(
        sowings=plan_succession(one, first=day, every_d=every_d, count=count, aim=aim),
        zone=context.zone,
        crop=case.crop.name,
        treatment=option.name,
        aim=aim,
        every_d=every_d,
        count=count,
        water=context.water_sentence(),
        cautions=cautions([case.crop], [treatment], dressed=case.dressed or None),
    )


def _last_day(context: Context, case: Case, first: date, last: date) -> date:
    """Last day of the succession, cut to a record that holds one season only."""
    series = context.series(case)
    begins, ends = (date.fromisoformat(str(series["time"].values[at])[:10]) for at in (0, -1))
    if (ends - begins).days < 365 + HARVEST_D and ends > first:
        return min(last, max(ends - timedelta(days=EMERGENCE_D + 2), first))
    return last
