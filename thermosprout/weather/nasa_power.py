"""NASA POWER: hourly reanalysis by its service.

Values are means over the hour that begins at the stamp (as pvlib reads them too); temperature,
humidity and wind are moved to the instant between two such hours. Missing is -999.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from thermosprout.errors import InputError
from thermosprout.quantities import FloatArray
from thermosprout.weather.service import (
    POWER_HOURLY,
    answer_dataset,
    answer_values,
    ask,
    past_days,
)
from thermosprout.weather.session import NEVER, WeatherSession
from thermosprout.weather.transport import BadAnswerError, Span, require_possible

NAMES: dict[str, tuple[str, tuple[str, ...]]] = {
    "air_temperature": ("T2M", ("C", "degC")),
    "ghi": ("ALLSKY_SFC_SW_DWN", ("Wh/m^2", "W/m^2", "Wh/m2", "W/m2")),
    "precipitation": ("PRECTOTCORR", ("mm/hour", "mm/hr", "mm")),
    "relative_humidity": ("RH2M", ("%",)),
    "wind_speed": ("WS2M", ("m/s",)),
}
"""House name to the service's name and the units it may have."""
FIRST_YEAR = 2001
"""Hourly values begin here; from memory."""
_AT_INSTANT = ("air_temperature", "relative_humidity", "wind_speed")


def get_power(
    latitude: float,
    longitude: float,
    start: date,
    end: date,
    *,
    session: WeatherSession,
    base_url: str | None = None,
    today: date | None = None,
) -> xr.Dataset:
    """Hourly weather of the half-degree cell, from ``start`` to ``end``, both included.

    Parameters
    ----------
    latitude, longitude : float
        Degrees north and east.
    start, end : date
        First and last day, UTC, from 2001 on; the newest days are not there yet.
    session : WeatherSession
        The cached session.
    base_url : str, optional
        Another address.
    today : date, optional
        For tests.

    Returns
    -------
    xarray.Dataset, dims (time,)
        See :func:`thermosprout.soil.series.weather_dataset`.

    Raises
    ------
    ServiceError, CoverageError
        As :meth:`WeatherSession.get`.
    """
    if start.year < FIRST_YEAR:
        raise InputError(f"NASA POWER holds hourly values from {FIRST_YEAR} on, asked for {start}")

    def span(first: date, last: date, expires_s: int) -> xr.Dataset:
        params: dict[str, str | int | float] = {
            "parameters": ",".join(name for name, _ in NAMES.values()),
            "community": "re",
            "latitude": round(latitude, 4),
            "longitude": round(longitude, 4),
            "start": f"{first:%Y%m%d}",
            "end": f"{last:%Y%m%d}",
            "format": "json",
            "time-standard": "UTC",
        }
        days = Span(first=first, last=last, most_missing_h=0 if expires_s == NEVER else None)
        return ask(
            POWER_HOURLY,
            params,
            parse,
            lambda _: days,
            session=session,
            expires_s=expires_s,
            base_url=base_url,
            source="NASA POWER",
        )

    return past_days(start, end, span, today=today)


def parse(document: Mapping[str, Any]) -> xr.Dataset:
    """Turn an hourly JSON answer into a weather Dataset.

    Raises
    ------
    BadAnswerError
        When something is missing, has another unit, or holds no values.
    """
    values = document.get("properties", {})
    values = values.get("parameter") if isinstance(values, Mapping) else None
    if not isinstance(values, Mapping) or not isinstance(values.get("T2M"), Mapping):
        raise BadAnswerError("the answer holds no hourly T2M", "check the base URL")
    stamps = sorted(values["T2M"])
    time = _times(stamps)
    described = document.get("parameters", {})
    columns: dict[str, FloatArray] = {}
    for name, (theirs, units) in NAMES.items():
        series = values.get(theirs)
        if not isinstance(series, Mapping):
            continue
        words = described.get(theirs) if isinstance(described, Mapping) else None
        unit = words.get("units") if isinstance(words, Mapping) else None
        if unit is not None and unit not in units:
            raise BadAnswerError(
                f"{theirs} came in {unit!r}, expected {units[0]!r}: the service changed",
                "update thermosprout",
            )
        array = answer_values([series.get(stamp, -999) for stamp in stamps], theirs)
        columns[name] = np.where(array <= -900, np.nan, array)
        require_possible(name, columns[name])
    for name in _AT_INSTANT:
        if name in columns:
            hour = columns[name]
            columns[name] = np.append(hour[:1], 0.5 * (hour[:-1] + hour[1:]))
    there = document.get("geometry", {})
    there = there.get("coordinates") if isinstance(there, Mapping) else None
    longitude, latitude, elevation = [*(there if isinstance(there, list) else []), *[None] * 3][:3]
    return answer_dataset(
        time,
        columns,
        source="NASA POWER",
        place=(latitude, longitude, elevation),
        null="-999",
        hint="choose days that are further back",
    )


def _times(stamps: list[str]) -> npt.NDArray[np.datetime64]:
    try:
        if any(len(stamp) != len("2021040100") for stamp in stamps):
            raise ValueError
        time = np.array(
            [f"{s[:4]}-{s[4:6]}-{s[6:8]}T{s[8:]}" for s in stamps], dtype="datetime64[h]"
        )
    except ValueError:
        raise BadAnswerError("the times of the answer cannot be read", "try again later") from None
    if time.size < 2 or (np.diff(time) != np.timedelta64(1, "h")).any():
        raise BadAnswerError("the times of the answer are not hourly", "try again later")
    return time.astype("datetime64[ns]")
