"""Traits in which sites differ, and what each does to soil temperature under the same weather.

A thick sward or a windy corner shows in sun and drought, not in every hour alike. The change of the
modelled series per sd of a trait lets a few readings in April say something about July.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import xarray as xr

from thermosprout.soil.ground import GroundParameters, fitted_parameters
from thermosprout.soil.pieces import soil_temperature_in_pieces

TRAITS: dict[str, dict[str, float]] = {
    "grass": {"sward_resistance": 1.0, "sward_conductance": 0.3, "exchange_day": 0.3},
    "bare": {"exchange_day": 0.3, "conductivity_factor": 0.2},
}
"""Parameters that vary between sites of a surface, and by how much: one sd as a share of the
fitted value. More for the leaves: an assumption; what stations leave after it is fitted."""


def varied(ground: GroundParameters, surface: str) -> list[GroundParameters]:
    """Parameters of sites one sd off in one trait each, in the order of :data:`TRAITS`."""
    return [
        replace(ground, **{name: getattr(ground, name) * (1.0 + share)})
        for name, share in TRAITS[surface].items()
    ]


def site_effects(weather: xr.Dataset, series: xr.DataArray, **options: Any) -> xr.DataArray:
    """Change of the modelled series when a trait of the site moves by one sd.

    Parameters
    ----------
    weather : xarray.Dataset, dims (time,)
        That the series was modelled from.
    series : xarray.DataArray, dims (time,)
        As :func:`thermosprout.soil.pieces.soil_temperature_in_pieces` gave it.
    **options
        As given to it.

    Returns
    -------
    xarray.DataArray, dims (trait, time)
        [K]
    """
    ground: GroundParameters = options.pop("ground", None) or fitted_parameters()
    surface = str(series.attrs["surface"])
    changed = [
        soil_temperature_in_pieces(weather, ground=site, **options) - series
        for site in varied(ground, surface)
    ]
    effects = xr.concat(changed, dim="trait", coords="minimal", compat="override").fillna(0.0)
    effects = effects.assign_coords(trait=list(TRAITS[surface]))
    effects.attrs = {"units": "K", "units_metadata": "temperature: difference"}
    return effects
