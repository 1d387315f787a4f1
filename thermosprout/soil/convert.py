"""From the ground a series was measured under to the ground a row is sown in, as a shown step."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from thermosprout.errors import InputError
from thermosprout.soil.model.surface import Cover
from thermosprout.soil.model.temperature import Surface, soil_temperature
from thermosprout.soil.model.texture import LOAM, SoilType
from thermosprout.soil.site_correction import site_spread
from thermosprout.soil.site_readings import running_mean

BARE_SWING = 1.5
"""Daily swing of bare soil over that of a sward at the same depth, where no weather is at hand:
assumption, from this model over the seasons it was fitted to."""
BARE_WARMER_K = 0.7
"""Daily mean of bare soil minus a sward in spring and summer, likewise. [K]"""
UNKNOWN_WEATHER_SD_K = 1.0
"""Spread added by a conversion without weather. [K] Assumption."""


def convert_surface(
    series: xr.DataArray,
    weather: xr.Dataset | None,
    *,
    to: Surface,
    cover: Cover | None = None,
    soil: SoilType = LOAM,
    watering: xr.DataArray | None = None,
    watering_C: float = 10.0,
) -> xr.DataArray:
    """Series as it would run under another surface or under a cover.

    Parameters
    ----------
    series : xarray.DataArray, dims ([member,] time)
        Its ``surface`` attribute says what it was measured or modelled under; ``unknown`` is read
        as grass, where stations stand.
    weather : xarray.Dataset or None
        Hourly weather; the model's difference between both surfaces is added for the hours it
        covers. Without weather a usual difference is taken and the spread grows.
    to : {"grass", "bare"}
    cover, soil, watering, watering_C
        Of the bed, see :func:`thermosprout.soil.model.temperature.soil_temperature`.

    Returns
    -------
    xarray.DataArray
        ``attrs["steps"]`` says what was done; the series itself where nothing is to be done.
    """
    if to not in ("grass", "bare"):
        raise InputError(f"surface {to!r} is unknown", hint='use "grass" or "bare"')
    own = str(series.attrs.get("surface", "unknown"))
    start: Surface = "bare" if own == "bare" else "grass"
    covered = cover is not None and cover.name != "none"
    if start == to and not covered and watering is None:
        return series
    if weather is None:
        return _usual(series, start, to, cover)
    depth_cm = 100.0 * float(series["depth"])
    options: dict[str, Any] = {"depth_cm": min(max(depth_cm, 0.5), 30.0), "soil": soil}
    before = soil_temperature(weather, surface=start, **options)
    after = soil_temperature(
        weather, surface=to, cover=cover, watering=watering, watering_C=watering_C, **options
    )
    change = (after - before).drop_vars(["depth", "member_weight"], errors="ignore")
    if "member" in change.dims and (
        "member" not in series.dims or change.sizes["member"] != series.sizes["member"]
    ):
        change = change.mean("member")
    on_series = change.reindex(time=series["time"].values)
    # Beyond the weather the cover's own part is not known and is left out.
    usual = _usual(series, start, to, None) - series
    full = on_series.fillna(usual.drop_vars(["depth", "member_weight"], errors="ignore"))
    out = series.copy(data=series.values + full.transpose(*series.dims[-full.ndim :]).values)
    mean = float(full.mean())
    covering = f" under {cover.name}" if covered and cover is not None else ""
    way = f"{to} soil{covering}" if own == to else f"from {_word(own)} to {to}{covering}"
    step = f"{way}: {mean:+.1f} °C in the mean, by the soil model"
    return _marked(out, series, to, cover, step, site_spread(series))


def _usual(series: xr.DataArray, start: str, to: str, cover: Cover | None) -> xr.DataArray:
    """Usual difference between grass and bare soil; covers need weather."""
    if cover is not None and cover.name != "none":
        raise InputError(
            f"the effect of {cover.name} cannot be told without weather",
            hint="give the weather of the site or leave the cover out",
        )
    daily = running_mean(series.values, 24)
    sign = 0 if start == to else (1 if to == "bare" else -1)
    values = daily + (series.values - daily) * BARE_SWING**sign + BARE_WARMER_K * sign
    step = f"from {_word(start)} to {to}: {BARE_WARMER_K * sign:+.1f} °C as usual, no weather known"
    spread = float(np.hypot(site_spread(series), UNKNOWN_WEATHER_SD_K))
    return _marked(series.copy(data=values), series, to, cover, step, spread)


def _word(surface: str) -> str:
    return "unknown ground, taken as grass," if surface == "unknown" else surface


def _marked(
    out: xr.DataArray,
    series: xr.DataArray,
    to: str,
    cover: Cover | None,
    step: str,
    spread: float,
) -> xr.DataArray:
    out.attrs = dict(series.attrs)
    done = [*str(series.attrs.get("steps", "")).split("; "), step]
    out.attrs.update(
        surface=to,
        cover="none" if cover is None else cover.name,
        steps="; ".join(text for text in done if text),
        site_sd_K=spread,
    )
    return out
