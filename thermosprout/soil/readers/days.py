"""Hourly weather from a table of days, whichever file the days are from."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np
import numpy.typing as npt
import pandas as pd

from thermosprout.arrays import FloatArray
from thermosprout.errors import CoverageError, Place
from thermosprout.soil.diurnal import day_starts_utc, hourly_from_daily, spread_radiation
from thermosprout.soil.forcing import require_on_earth

Days = npt.NDArray[np.datetime64]

AIR = ("air", "air_tmin", "air_tmax")
"""Temperatures of the air that a table may hold: a mean, a minimum, a maximum."""


def holds_air(names: Collection[str]) -> bool:
    """Whether the columns named tell the temperature of a day: its mean, or both its ends."""
    return "air" in names or ("air_tmin" in names and "air_tmax" in names)


def hours_of_days(
    dates: Days,
    columns: dict[str, FloatArray],
    latitude: float,
    longitude: float,
    *,
    utc_offset_h: float,
    place: Place | None = None,
) -> tuple[dict[str, npt.NDArray[np.generic]], list[str], int]:
    """Hourly weather from daily values.

    Parameters
    ----------
    dates : datetime64[D] array, shape (day,)
        Local days, rising; holes of at most three days are closed by a straight line.
    columns : dict of arrays, shape (day,)
        Any of air, air_tmin, air_tmax [degC], ghi (mean of the day) [W m-2], precipitation [mm],
        relative_humidity [%], wind_speed [m s-1].
    latitude, longitude : float
        Degrees north and east.
    utc_offset_h : float
        Fixed offset of the days. [h]
    place : Place, optional
        Where the days stand, for messages.

    Returns
    -------
    data, notes, filled
        Arrays by name with ``time``, what was done, and hours filled.

    Raises
    ------
    InputError
        When no place lies at the latitude and longitude.
    CoverageError
        When no day has a temperature.
    """
    require_on_earth(latitude, longitude, place)
    days, full, filled = _every_day(dates, columns)
    days, full, known = _while_known(days, full, place)
    starts = day_starts_utc(days, utc_offset_h=utc_offset_h)
    time = np.arange(starts[0], starts[-1] + np.timedelta64(24, "h"), np.timedelta64(1, "h"))
    air = np.full(time.size, np.nan)
    for run in np.split(np.arange(days.size), np.flatnonzero(np.diff(known)) + 1):
        if known[run[0]]:
            part, values = hourly_from_daily(
                days[run],
                latitude=latitude,
                longitude=longitude,
                tmin=full["air_tmin"][run] if "air_tmin" in full else None,
                tmax=full["air_tmax"][run] if "air_tmax" in full else None,
                tmean=full["air"][run] if "air" in full else None,
                utc_offset_h=utc_offset_h,
            )
            air[np.searchsorted(time, part[0]) :][: values.size] = values
    day = np.clip(np.searchsorted(starts, time, side="right") - 1, 0, days.size - 1)
    data: dict[str, npt.NDArray[np.generic]] = {"time": time, "air_temperature": air}
    if "ghi" in full:
        data["ghi"] = spread_radiation(time, starts, full["ghi"], latitude, longitude)
    if "precipitation" in full:
        data["precipitation"] = full["precipitation"][day] / 24.0
    for name in ("relative_humidity", "wind_speed"):
        if name in full:
            data[name] = full[name][day]
    notes = []
    if not known.all():
        hole = days[int(np.flatnonzero(~known)[0])]
        notes.append(
            f"{int((~known).sum())} days without air temperature stay empty, the first {hole}."
        )
    notes.append("Daily values were turned into hours that keep them.")
    return data, notes, filled


def _every_day(
    dates: Days, columns: dict[str, FloatArray]
) -> tuple[Days, dict[str, FloatArray], int]:
    """Values for every day from the first to the last, and hours of air temperature filled."""
    days = np.arange(dates[0], dates[-1] + np.timedelta64(1, "D"))
    at = (dates - days[0]).astype(int)
    full: dict[str, FloatArray] = {}
    filled = 0
    for name, values in columns.items():
        spread = np.full(days.size, np.nan)
        spread[at] = values
        holes = int((~np.isfinite(spread)).sum())
        if name in (*AIR, "relative_humidity", "wind_speed"):
            spread = pd.Series(spread).interpolate(limit=3, limit_area="inside").to_numpy()
        if name in AIR:
            filled = max(filled, 24 * (holes - int((~np.isfinite(spread)).sum())))
        full[name] = spread
    return days, full, filled


def _while_known(
    days: Days, full: dict[str, FloatArray], place: Place | None
) -> tuple[Days, dict[str, FloatArray], npt.NDArray[np.bool_]]:
    """Cut to the days between the first and the last with a temperature; True where it is known."""
    ends = [name for name in ("air_tmin", "air_tmax") if name in full]
    told_by = ends if len(ends) == 2 else ["air"]
    known = np.all([np.isfinite(full[name]) for name in told_by], axis=0)
    if not known.any():
        raise CoverageError("no day has both a minimum and a maximum, or a mean", place=place)
    first, last = int(np.flatnonzero(known)[0]), int(np.flatnonzero(known)[-1])
    keep = slice(first, last + 1)
    return days[keep], {name: values[keep] for name, values in full.items()}, known[keep]
