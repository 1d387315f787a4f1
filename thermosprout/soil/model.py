"""Soil temperature at seed depth from weather: the physics between air and seed.

Surface energy balance (:mod:`~thermosprout.soil.energy`), daily water balance
(:mod:`~thermosprout.soil.balance`) and conduction (:mod:`~thermosprout.soil.conduction`) with
numbers that hold for all sites (:mod:`~thermosprout.soil.ground`).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
import xarray as xr

from thermosprout.errors import InputError
from thermosprout.soil.climate import yearly_course
from thermosprout.soil.drive import Driven, daily_mean, drive
from thermosprout.soil.ground import GroundParameters, fitted_parameters
from thermosprout.soil.series import soil_series
from thermosprout.soil.surfaces import COVERS, Cover
from thermosprout.soil.texture import LOAM, SoilType
from thermosprout.soil.weather_arrays import weather_arrays

Surface = Literal["grass", "bare"]

DEPTHS_CM = (0.5, 30.0)
"""Depths that the model answers for. [cm]"""


def soil_temperature(
    weather: xr.Dataset,
    *,
    depth_cm: float | Sequence[float],
    surface: Surface,
    cover: Cover | None = None,
    soil: SoilType = LOAM,
    watering: xr.DataArray | None = None,
    watering_C: float = 10.0,
    ground: GroundParameters | None = None,
) -> xr.DataArray:
    """Model soil temperature from hourly weather.

    Parameters
    ----------
    weather : xarray.Dataset, dims ([member,] time)
        As built by :func:`thermosprout.soil.forcing.weather_dataset`: air temperature and, where
        known, radiation, precipitation, humidity and wind (at 10 m). Without radiation it follows
        from the daily temperature range; without precipitation the soil is taken as fairly moist.
    depth_cm : float or sequence of float
        0.5 to 30. [cm]
    surface : {"grass", "bare"}
    cover : Cover, optional
        Cover on the bed, from :data:`thermosprout.soil.surfaces.COVERS`.
    soil : SoilType
    watering : xarray.DataArray, dims (time,), optional
        Watering in the hour that begins at each time. [mm]
    watering_C : float
        Temperature of that water. [degC]
    ground : GroundParameters, optional
        The fitted global parameters where absent.

    Returns
    -------
    xarray.DataArray, dims ([member,] time), or (depth, [member,] time) for several depths
        Hourly soil temperature at the times of the weather. [degC] ``attrs`` hold ``source``,
        ``surface``, ``cover``, ``site_sd_K`` (spread of unknown sites) and ``notes``.

    Raises
    ------
    InputError
        For a depth, surface or weather that the model cannot take.
    CoverageError
        When the weather has a hole too long to bridge, or less than two days.
    """
    depths = tuple(float(d) for d in np.atleast_1d(np.asarray(depth_cm, dtype=float)))
    for depth in depths:
        if not DEPTHS_CM[0] <= depth <= DEPTHS_CM[1]:
            raise InputError(
                f"depth {depth:g} cm is outside {DEPTHS_CM[0]:g} to {DEPTHS_CM[1]:g} cm, "
                "for which the soil model is made"
            )
    if surface not in ("grass", "bare"):
        raise InputError(f"surface {surface!r} is unknown", hint='use "grass" or "bare"')
    numbers = fitted_parameters() if ground is None else ground
    lid = COVERS["none"] if cover is None else cover
    driven, notes = drive_dataset(
        weather,
        depths_cm=depths,
        surface=surface,
        cover=lid,
        soil=soil,
        watering=watering,
        watering_C=watering_C,
        ground=numbers,
    )
    size = weather.sizes["time"]
    values = driven.temperature[:, :, :size]
    has_members = "member" in weather["air_temperature"].dims
    source = f"modelled from {weather.attrs.get('source', 'weather')}"
    if lid.name != "none":
        source += f", under {lid.name}"
    fields = [
        soil_series(
            weather["time"].values,
            values[i] if has_members else values[i, 0],
            depth_cm=depth,
            source=source,
            surface=surface,
            weights=weather["member_weight"].values if "member_weight" in weather.coords else None,
        )
        for i, depth in enumerate(depths)
    ]
    for field in fields:
        field.attrs.update(
            cover=lid.name,
            site_sd_K=numbers.site_sd_K,
            notes="; ".join(notes),
            moisture="daily balance" if "precipitation" in weather else "assumed moist",
        )
    if np.ndim(depth_cm) == 0:
        return fields[0]
    joined = xr.concat(fields, dim="depth")
    joined.attrs = dict(fields[0].attrs)
    return joined


def drive_dataset(
    weather: xr.Dataset,
    *,
    depths_cm: tuple[float, ...],
    surface: str,
    cover: Cover,
    soil: SoilType,
    ground: GroundParameters,
    watering: xr.DataArray | None = None,
    watering_C: float = 10.0,
) -> tuple[Driven, list[str]]:
    """Run the model on a Dataset; the last part of a day is filled up and cut off by the caller.

    Returns
    -------
    driven : Driven
        ``temperature`` has at least as many hours as the weather.
    notes : list of str
        What was bridged, guessed or assumed.
    """
    inputs, notes = weather_arrays(weather, watering=watering, watering_C=watering_C)
    first = weather["time"].values[0].astype("datetime64[D]")
    day_of_year = float((first - first.astype("datetime64[Y]")).astype(int)) + 1.0
    driven = drive(
        inputs,
        depths_cm=depths_cm,
        surface=surface,
        cover=cover,
        texture=soil.name,
        ground=ground,
        course=yearly_course(daily_mean(inputs.air), day_of_year, float(weather.attrs["latitude"])),
        day_of_year=day_of_year,
    )
    return driven, notes
