"""Soil temperature from objects in memory: xarray arrays and pandas series with a time index."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from thermosprout.arrays import FloatArray
from thermosprout.dates import read_zone
from thermosprout.errors import InputError
from thermosprout.soil.readers.to_hourly import SPARSEST_HOURS, step_of, to_hourly
from thermosprout.soil.series import soil_series

if TYPE_CHECKING:
    import pandas as pd

_TO_CELSIUS = {
    "degc": (1.0, 0.0), "°c": (1.0, 0.0), "c": (1.0, 0.0), "celsius": (1.0, 0.0),
    "degree_celsius": (1.0, 0.0), "degrees_celsius": (1.0, 0.0),
    "k": (1.0, -273.15), "kelvin": (1.0, -273.15),
    "degf": (5.0 / 9.0, -160.0 / 9.0), "°f": (5.0 / 9.0, -160.0 / 9.0),
    "fahrenheit": (5.0 / 9.0, -160.0 / 9.0),
}  # fmt: skip
"""Factor and offset that turn a unit into degC."""


def series_in_memory(
    data: xr.DataArray | xr.Dataset | pd.Series,
    *,
    depth_cm: float | None = None,
    timezone: str | None = None,
    surface: str = "unknown",
    source: str = "",
) -> xr.DataArray:
    """Turn an array or a series into the hourly soil temperature that forecasts take.

    Parameters
    ----------
    data : xarray.DataArray, xarray.Dataset or pandas.Series
        Temperature over time. xarray: dims ([member,] time), times in UTC, units in the attribute
        ``units``; of a Dataset the variable ``soil_temperature`` or its only one. pandas: a
        DatetimeIndex, in degC unless ``attrs["units"]`` says otherwise.
    depth_cm : float, optional
        Depth of the sensor; the coordinate ``depth`` [m] when absent, else taken as seed depth.
    timezone : str, optional
        Zone of a pandas index that carries none.
    surface : {"bare", "grass", "unknown"}
        Ground over the sensor; the attribute ``surface`` where there is one.
    source : str
        Where it comes from, in words a grower reads.

    Returns
    -------
    xarray.DataArray, dims ([member,] time)
        Hourly, in UTC. [degC]

    Raises
    ------
    InputError
        For another type, dimension or unit, for times that are naive, unsorted or too far apart,
        and for a series without values.
    """
    weights: FloatArray | None = None
    known: dict[str, Any] = {}
    if isinstance(data, xr.Dataset | xr.DataArray):
        array = _variable(data)
        if "time" not in array.dims or set(array.dims) - {"time", "member"}:
            raise InputError(
                f"the soil temperature has the dimensions {', '.join(map(str, array.dims))}; "
                "expected time, or member and time"
            )
        time = _utc(array["time"].values)
        values = array.transpose(..., "time").values
        units, named = array.attrs.get("units"), str(array.attrs.get("source", ""))
        known = {key: value for key, value in array.attrs.items() if key != "units"}
        surface = str(known.pop("surface", surface))
        if depth_cm is None and "depth" in array.coords and array["depth"].size == 1:
            depth_cm = 100.0 * float(array["depth"])
        if "member_weight" in array.coords:
            weights = np.asarray(array["member_weight"].values, dtype=float)
    else:
        time, values, units = _of_pandas(data, timezone)
        named = str(data.name or "")
    celsius = _in_celsius(values, units)
    hours, hourly = _on_the_hour(time, celsius)
    series = soil_series(
        hours,
        hourly,
        depth_cm=float("nan") if depth_cm is None else depth_cm,
        source=source or named or "series given",
        surface=surface,
        weights=weights,
    )
    # What a series of ours says of itself, such as the spread of its site, stays with it.
    return series.assign_attrs({**known, **series.attrs})


def _variable(data: xr.Dataset | xr.DataArray) -> xr.DataArray:
    if isinstance(data, xr.DataArray):
        return data
    names = [str(name) for name in data.data_vars]
    if "soil_temperature" in names:
        return data["soil_temperature"]
    if len(names) == 1:
        return data[names[0]]
    raise InputError(
        f"the Dataset holds {', '.join(names) or 'no variable'}; expected soil_temperature",
        hint="pass one variable, as data['...']",
    )


def _of_pandas(
    data: pd.Series, timezone: str | None
) -> tuple[npt.NDArray[np.datetime64], npt.NDArray[Any], Any]:
    import pandas as pd

    if not isinstance(data, pd.Series):
        raise InputError(
            f"soil temperature cannot be taken from {type(data).__name__}; expected a pandas "
            "Series or an xarray DataArray",
            hint="of a DataFrame pass one column, as frame['soil_temp_C']",
        )
    index = data.index
    if not isinstance(index, pd.DatetimeIndex):
        raise InputError(
            f"the index of the series is {type(index).__name__}; expected times",
            hint="set it with pandas.to_datetime",
        )
    if index.tz is None:
        if timezone is None:
            raise InputError(
                "the times of the series carry no time zone",
                hint='give timezone="Europe/London", or "UTC"',
            )
        zone = read_zone(timezone)
        index = index.tz_localize(zone, ambiguous="NaT", nonexistent="NaT")
    stamps = index.tz_convert("UTC").tz_localize(None)
    kept = ~np.asarray(stamps.isna())
    return _utc(stamps.values[kept]), data.to_numpy()[kept], data.attrs.get("units", "degC")


def _utc(time: npt.NDArray[Any]) -> npt.NDArray[np.datetime64]:
    if not np.issubdtype(time.dtype, np.datetime64):
        raise InputError(f"the times are {time.dtype}; expected datetime64 in UTC")
    if time.size < 2:
        raise InputError(f"the soil temperature has {time.size} times; expected two or more")
    if not (np.diff(time) > np.timedelta64(0)).all():
        raise InputError("the times are not sorted, or some stand twice", hint="sort by time")
    return time.astype("datetime64[ns]")


def _in_celsius(values: npt.NDArray[Any], units: Any) -> FloatArray:
    try:
        numbers = np.asarray(values, dtype=float)
    except (TypeError, ValueError):
        raise InputError("the soil temperature holds text; expected numbers") from None
    if not np.isfinite(numbers).any():
        raise InputError("the soil temperature holds no value")
    unit = _TO_CELSIUS.get(str(units).strip().lower())
    if unit is None:
        found = "no units" if units is None else f"the units {units!r}"
        raise InputError(
            f"the soil temperature has {found}; expected degC, K or degF",
            hint="set its attribute 'units'",
        )
    return numbers * unit[0] + unit[1]


def _on_the_hour(
    time: npt.NDArray[np.datetime64], values: FloatArray
) -> tuple[npt.NDArray[np.datetime64], FloatArray]:
    if step_of(time) > SPARSEST_HOURS * 3600:
        raise InputError(
            f"the times are {step_of(time) / 3600:g} h apart, which does not show the course of a "
            f"day; expected {SPARSEST_HOURS} h or less"
        )
    if values.ndim == 1:
        one = to_hourly(time, values)
        return one.time, one.values
    members = [to_hourly(time, member) for member in values]
    return members[0].time, np.stack([member.values for member in members])
