"""Soil temperature at seed depth from weather: the physics between air and seed.

Surface energy balance (:mod:`~thermosprout.soil.model.surface`), daily water balance
(:mod:`~thermosprout.soil.model.water`) and conduction
(:mod:`~thermosprout.soil.model.conduction`) with numbers that hold for all sites
(:mod:`~thermosprout.soil.model.ground`).

Also here: a run around long gaps in the weather (:func:`model_between_gaps`), and what the ways in
which sites differ do to the temperature under the same weather (:func:`site_effects`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Literal

import numpy as np
import xarray as xr

from thermosprout.errors import CoverageError, InputError
from thermosprout.soil.model.conduction import yearly_course
from thermosprout.soil.model.ground import LOAM, GroundParameters, SoilType, fitted_parameters
from thermosprout.soil.model.run import ModelRun, daily_mean, run_model
from thermosprout.soil.model.surface import COVERS, Cover
from thermosprout.soil.model.weather import LONGEST_GAP_H, weather_arrays
from thermosprout.soil.series import soil_series

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
        As built by :func:`thermosprout.soil.series.weather_dataset`: air temperature and, where
        known, radiation, precipitation, humidity and wind (at 10 m). Without radiation it follows
        from the daily temperature range; without precipitation the soil is taken as fairly moist.
    depth_cm : float or sequence of float
        0.5 to 30. [cm]
    surface : {"grass", "bare"}
    cover : Cover, optional
        Cover on the bed, from :data:`thermosprout.soil.model.surface.COVERS`.
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
        ``surface``, ``cover``, ``texture``, ``site_sd_K`` (spread of unknown sites) and ``notes``.

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
    over = COVERS["none"] if cover is None else cover
    modelled, notes = run_dataset(
        weather,
        depths_cm=depths,
        surface=surface,
        cover=over,
        soil=soil,
        watering=watering,
        watering_C=watering_C,
        ground=numbers,
    )
    size = weather.sizes["time"]
    values = modelled.temperature[:, :, :size]
    has_members = "member" in weather["air_temperature"].dims
    source = f"modelled from {weather.attrs.get('source', 'weather')}"
    if over.name != "none":
        source += f", under {over.name}"
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
            cover=over.name,
            texture=soil.name,
            site_sd_K=numbers.site_sd_K,
            notes="; ".join(notes),
            moisture="daily balance" if "precipitation" in weather else "assumed moist",
        )
    if np.ndim(depth_cm) == 0:
        return fields[0]
    joined = xr.concat(fields, dim="depth")
    joined.attrs = dict(fields[0].attrs)
    return joined


def run_dataset(
    weather: xr.Dataset,
    *,
    depths_cm: tuple[float, ...],
    surface: str,
    cover: Cover,
    soil: SoilType,
    ground: GroundParameters,
    watering: xr.DataArray | None = None,
    watering_C: float = 10.0,
) -> tuple[ModelRun, list[str]]:
    """Run the model on a Dataset; the last part of a day is filled up and cut off by the caller.

    Returns
    -------
    modelled : ModelRun
        ``temperature`` has at least as many hours as the weather.
    notes : list of str
        What was bridged, guessed or assumed.
    """
    inputs, notes = weather_arrays(weather, watering=watering, watering_C=watering_C)
    first = weather["time"].values[0].astype("datetime64[D]")
    day_of_year = float((first - first.astype("datetime64[Y]")).astype(int)) + 1.0
    modelled = run_model(
        inputs,
        depths_cm=depths_cm,
        surface=surface,
        cover=cover,
        texture=soil.name,
        ground=ground,
        course=yearly_course(daily_mean(inputs.air), day_of_year, float(weather.attrs["latitude"])),
        day_of_year=day_of_year,
    )
    return modelled, notes


SHORTEST_STRETCH_H = 72
"""Shorter stretches than this are left out: the soil would not have forgotten its start. [h]"""


def model_between_gaps(weather: xr.Dataset, **options: Any) -> xr.DataArray:
    """Model soil temperature where there is weather; hours inside long gaps are missing.

    Parameters
    ----------
    weather : xarray.Dataset, dims (time,)
        Hourly; air temperature may have gaps of any length.
    **options
        Of :func:`thermosprout.soil.model.temperature.soil_temperature`.

    Returns
    -------
    xarray.DataArray, dims (time,)
        On all hours of the weather; ``attrs["holes"]`` counts the gaps left empty.

    Raises
    ------
    CoverageError
        When no stretch is long enough.
    """
    present = np.isfinite(weather["air_temperature"].values)
    at = np.flatnonzero(present)
    if at.size == 0:
        raise CoverageError("the weather holds no air temperature")
    cuts = np.flatnonzero(np.diff(at) > LONGEST_GAP_H + 1)
    firsts = at[np.concatenate([[0], cuts + 1])]
    lasts = at[np.concatenate([cuts, [at.size - 1]])]
    stretches = []
    for first, last in zip(firsts, lasts, strict=True):
        if last + 1 - first >= SHORTEST_STRETCH_H:
            stretch = weather.isel(time=slice(int(first), int(last) + 1))
            stretches.append(soil_temperature(stretch, **options))
    if not stretches:
        raise CoverageError(
            f"no stretch of weather is {SHORTEST_STRETCH_H} h long without a gap",
            hint="give a longer series",
        )
    series = stretches[0] if len(stretches) == 1 else xr.concat(stretches, dim="time")
    out = series.reindex(time=weather["time"].values)
    out.attrs = {**stretches[0].attrs, "holes": len(firsts) - 1}
    notes = [
        text for stretch in stretches for text in str(stretch.attrs["notes"]).split("; ") if text
    ]
    out.attrs["notes"] = "; ".join(dict.fromkeys(notes))
    return out


SITE_DIFFERENCES: dict[str, dict[str, float]] = {
    "grass": {"sward_resistance": 0.7, "sward_conductance": 0.2, "exchange_day": 0.2},
    "bare": {"exchange_day": 0.3, "conductivity_factor": 0.2},
}
"""Parameters in which sites of a surface differ, and by how much: one sd as a share of the fitted
value. A thick sward or a windy corner shows in sun and drought, not in every hour alike, so that a
few readings in April say something about July. The shares of grass are the widest that leave the
stated spread true at stations left out and spoil the season of few of them; bare: assumption."""


def differing_sites(ground: GroundParameters, surface: str) -> list[GroundParameters]:
    """Parameters of sites one sd off in one way each, in the order of :data:`SITE_DIFFERENCES`."""
    return [
        replace(ground, **{name: getattr(ground, name) * (1.0 + share)})
        for name, share in SITE_DIFFERENCES[surface].items()
    ]


def site_effects(weather: xr.Dataset, *, surface: Surface, **options: Any) -> xr.DataArray:
    """Change of the modelled series when the site differs by one sd.

    Parameters
    ----------
    weather : xarray.Dataset, dims (time,)
    surface : {"grass", "bare"}
    **options
        Of :func:`soil_temperature`.

    Returns
    -------
    xarray.DataArray, dims (difference, time)
        [K]
    """
    ground: GroundParameters = options.pop("ground", None) or fitted_parameters()
    usual = model_between_gaps(weather, surface=surface, ground=ground, **options)
    changed = [
        model_between_gaps(weather, surface=surface, ground=site, **options) - usual
        for site in differing_sites(ground, surface)
    ]
    effects = xr.concat(changed, dim="difference", coords="minimal", compat="override").fillna(0.0)
    effects = effects.assign_coords(difference=list(SITE_DIFFERENCES[surface]))
    effects.attrs = {"units": "K", "units_metadata": "temperature: difference"}
    return effects
