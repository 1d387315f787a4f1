"""Soil temperature at seed depth from weather: the physics between air and seed.

Surface energy balance (:mod:`~thermosprout.soil.model.surface`), daily water balance
(:mod:`~thermosprout.soil.model.water`) and conduction
(:mod:`~thermosprout.soil.model.conduction`) with numbers that hold for all sites
(:mod:`~thermosprout.soil.model.ground`).

Also here: a run around long gaps in the weather (:func:`model_between_gaps`), what the ways in
which sites differ do to the temperature under the same weather (:func:`site_effects`), and a series
moved to another depth (:func:`to_depth`) or from the ground it was measured under to that of a row
(:func:`convert_surface`).

Between two depths of even soil each frequency is damped and delayed by
``exp(-dz sqrt(i omega / D))`` (Carslaw & Jaeger 1959, section 2.6). Downwards that is applied as it
stands; upwards it is inverted, with the gain held so that noise is not blown up. From grass to bare
soil or under a cover the soil model gives the difference, as a step that is shown.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import xarray as xr

from thermosprout.errors import CoverageError, InputError
from thermosprout.quantities import FloatArray
from thermosprout.soil.model.conduction import yearly_course
from thermosprout.soil.model.ground import LOAM, GroundParameters, SoilType, fitted_parameters
from thermosprout.soil.model.run import daily_mean, run_model, running_mean
from thermosprout.soil.model.surface import COVERS, Cover
from thermosprout.soil.model.weather import LONGEST_GAP_H, weather_arrays
from thermosprout.soil.series import site_spread, soil_series

Surface = Literal["grass", "bare"]

DEPTHS_CM = (0.5, 30.0)
"""Depths that the model answers for. [cm]"""


def soil_temperature(
    weather: xr.Dataset,
    *,
    depth_cm: float,
    surface: Surface,
    cover: Cover | None = None,
    soil: SoilType = LOAM,
    ground: GroundParameters | None = None,
) -> xr.DataArray:
    """Model soil temperature from hourly weather.

    Parameters
    ----------
    weather : xarray.Dataset, dims ([member,] time)
        As built by :func:`thermosprout.soil.series.weather_dataset`: air temperature and, where
        known, radiation, precipitation, humidity and wind (at 10 m). Without radiation it follows
        from the daily temperature range; without precipitation the soil is taken as fairly moist.
    depth_cm : float
        0.5 to 30. [cm]
    surface : {"grass", "bare"}
    cover : Cover, optional
        Cover on the bed, from :data:`thermosprout.soil.model.surface.COVERS`.
    soil : SoilType
    ground : GroundParameters, optional
        The fitted global parameters where absent.

    Returns
    -------
    xarray.DataArray, dims ([member,] time)
        Hourly soil temperature at the times of the weather. [degC] ``attrs`` hold ``source``,
        ``surface``, ``cover``, ``texture``, ``site_sd_K`` (spread of unknown sites) and ``notes``.

    Raises
    ------
    InputError
        For a depth, surface or weather that the model cannot take.
    CoverageError
        When the weather has a hole too long to bridge, or less than two days.
    """
    if not DEPTHS_CM[0] <= depth_cm <= DEPTHS_CM[1]:
        raise InputError(
            f"depth {depth_cm:g} cm is outside {DEPTHS_CM[0]:g} to {DEPTHS_CM[1]:g} cm, "
            "for which the soil model is made"
        )
    if surface not in ("grass", "bare"):
        raise InputError(f"surface {surface!r} is unknown", hint='use "grass" or "bare"')
    numbers = fitted_parameters() if ground is None else ground
    over = COVERS["none"] if cover is None else cover
    inputs, notes = weather_arrays(weather)
    time = weather["time"].values
    first = time[0].astype("datetime64[D]")
    day_of_year = float((first - first.astype("datetime64[Y]")).astype(int)) + 1.0
    modelled = run_model(
        inputs,
        depths_cm=(depth_cm,),
        surface=surface,
        cover=over,
        texture=soil.name,
        ground=numbers,
        course=yearly_course(daily_mean(inputs.air), day_of_year, float(weather.attrs["latitude"])),
        day_of_year=day_of_year,
    )
    # The last day was filled up.
    values = modelled.temperature[0, :, : time.size]
    source = f"modelled from {weather.attrs.get('source', 'weather')}"
    series = soil_series(
        time,
        values if "member" in weather["air_temperature"].dims else values[0],
        depth_cm=depth_cm,
        source=source if over.name == "none" else f"{source}, under {over.name}",
        surface=surface,
        weights=weather["member_weight"].values if "member_weight" in weather.coords else None,
    )
    return series.assign_attrs(
        cover=over.name,
        texture=soil.name,
        site_sd_K=numbers.site_sd_K,
        site_latitude=float(weather.attrs["latitude"]),
        notes="; ".join(notes),
        moisture="daily balance" if "precipitation" in weather else "assumed moist",
    )


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
    at = np.flatnonzero(np.isfinite(weather["air_temperature"].values))
    if at.size == 0:
        raise CoverageError("the weather holds no air temperature")
    runs = np.split(at, np.flatnonzero(np.diff(at) > LONGEST_GAP_H + 1) + 1)
    stretches = [
        soil_temperature(weather.isel(time=slice(int(run[0]), int(run[-1]) + 1)), **options)
        for run in runs
        if run[-1] + 1 - run[0] >= SHORTEST_STRETCH_H
    ]
    if not stretches:
        raise CoverageError(
            f"no stretch of weather is {SHORTEST_STRETCH_H} h long without a gap",
            hint="give a longer series",
        )
    series = stretches[0] if len(stretches) == 1 else xr.concat(stretches, dim="time")
    notes = "; ".join(str(stretch.attrs["notes"]) for stretch in stretches).split("; ")
    out = series.reindex(time=weather["time"].values)
    out.attrs = {
        **stretches[0].attrs,
        "holes": len(runs) - 1,
        "notes": "; ".join(dict.fromkeys(filter(None, notes))),
    }
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


MOIST_LOAM = float(LOAM.diffusivity(0.8 * LOAM.field_capacity))
"""Diffusivity of a moist loam: Johansen (1975) and de Vries (1963), see
:mod:`thermosprout.soil.model.ground`. [m2 s-1]"""
SAME_DEPTH_CM = 0.05
LARGEST_GAIN = 4.0
"""Most that any swing is amplified on the way up."""
_PAD_DAYS = 6


def to_depth(
    series: xr.DataArray, depth_cm: float, *, diffusivity: float = MOIST_LOAM
) -> xr.DataArray:
    """Soil temperature at another depth.

    Parameters
    ----------
    series : xarray.DataArray, dims ([member,] time)
        Regular series with the scalar coordinate ``depth`` [m].
    depth_cm : float
        Wanted depth. [cm]
    diffusivity : float
        Thermal diffusivity of the soil between. [m2 s-1]

    Returns
    -------
    xarray.DataArray, dims ([member,] time)
        All members at once; missing hours stay missing. The series itself where the depths agree
        to half a millimetre.

    Raises
    ------
    InputError
        For a depth that is not between 0 and 100 cm, or a series with irregular times.
    """
    if not 0.0 <= depth_cm <= 100.0:
        raise InputError(f"depth {depth_cm:g} cm is not between 0 and 100 cm")
    if diffusivity <= 0:
        raise InputError(f"a diffusivity of {diffusivity:g} m2 s-1 is not positive")
    own_cm = 100.0 * float(series["depth"])
    if abs(depth_cm - own_cm) < SAME_DEPTH_CM:
        return series
    steps = np.diff(series["time"].values)
    if (steps != steps[0]).any():
        raise InputError("a series with irregular times cannot be moved to another depth")
    step_s = float(steps[0] / np.timedelta64(1, "s"))
    values = move(series.values, (depth_cm - own_cm) / 100.0, step_s, diffusivity)
    out = soil_series(
        series["time"].values,
        values,
        depth_cm=depth_cm,
        source=f"{series.attrs['source']}, moved from {own_cm:g} to {depth_cm:g} cm",
        surface=series.attrs["surface"],
        weights=series["member_weight"].values if "member_weight" in series.coords else None,
    )
    if "member" in series.dims:
        out = out.assign_coords(member=series["member"].values)
    return out.assign_attrs({**series.attrs, **out.attrs})


def move(values: FloatArray, dz_m: float, step_s: float, diffusivity: float) -> FloatArray:
    """Values moved down (positive ``dz_m``) or up along the last axis."""
    array = np.asarray(values, dtype=float)
    missing = ~np.isfinite(array)
    if missing.all():
        return array.copy()
    filled = _filled(array, missing) if missing.any() else array
    steps = filled.shape[-1]
    day = max(1, round(86400.0 / step_s))
    if steps >= day:
        before = np.tile(filled[..., :day], _PAD_DAYS)
        after = np.tile(filled[..., -day:], _PAD_DAYS)
    else:
        before = np.repeat(filled[..., :1], _PAD_DAYS, axis=-1)
        after = np.repeat(filled[..., -1:], _PAD_DAYS, axis=-1)
    padded = np.concatenate([before, filled, after], axis=-1)
    size = padded.shape[-1]
    # a straight line between the ends is set aside: the transform takes the series as periodic
    first, last = padded[..., :1], padded[..., -1:]
    line = first + (last - first) * (np.arange(size) / max(size - 1, 1))
    smooth = _fast_length(size)
    transfer = _transfer(smooth, dz_m, step_s, diffusivity)
    spectrum = np.fft.rfft(padded - line, n=smooth, axis=-1)
    moved = np.fft.irfft(spectrum * transfer, n=smooth, axis=-1)[..., :size] + line
    out = moved[..., before.shape[-1] : before.shape[-1] + steps]
    return np.asarray(np.where(missing, np.nan, out))


@lru_cache(maxsize=64)
def _transfer(size: int, dz_m: float, step_s: float, diffusivity: float) -> FloatArray:
    omega = 2.0 * np.pi * np.fft.rfftfreq(size, step_s)
    damped = np.exp(-abs(dz_m) * np.sqrt(1j * omega / diffusivity))
    if dz_m > 0:
        return np.asarray(damped)
    # the inverse with a bounded gain: conj(H) / (|H|^2 + e^2) peaks at 1 / (2 e)
    bound = 1.0 / (2.0 * LARGEST_GAIN)
    gain = np.abs(damped) ** 2
    return np.asarray(np.conj(damped) * (1.0 + bound**2) / (gain + bound**2))


def _fast_length(size: int) -> int:
    """Smallest length from ``size`` on that is made of twos, threes and fives, quick to transform.

    What ``scipy.fft.next_fast_len`` gives for real values, without importing scipy's transforms.
    """
    while True:
        rest = size
        for factor in (2, 3, 5):
            while rest % factor == 0:
                rest //= factor
        if rest == 1:
            return size
        size += 1


def _filled(array: FloatArray, missing: npt.NDArray[np.bool_]) -> FloatArray:
    """Bridge holes by straight lines, only to carry the transform over them."""
    rows = np.atleast_2d(array.copy())
    holes = np.atleast_2d(missing)
    position = np.arange(rows.shape[-1])
    for row, hole in zip(rows, holes, strict=True):
        if hole.all():
            row[:] = 0.0
        elif hole.any():
            row[hole] = np.interp(position[hole], position[~hole], row[~hole])
    return rows.reshape(array.shape)


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
    cover, soil
        Of the bed, as for :func:`soil_temperature`.

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
    if start == to and not covered:
        return series
    if weather is None:
        return _usual(series, start, to, cover)
    depth_cm = 100.0 * float(series["depth"])
    options: dict[str, Any] = {"depth_cm": min(max(depth_cm, 0.5), 30.0), "soil": soil}
    before = soil_temperature(weather, surface=start, **options)
    after = soil_temperature(weather, surface=to, cover=cover, **options)
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
    warmer = "warmer" if mean >= 0 else "colder"
    step = f"{way}: {abs(mean):.1f} °C {warmer} on average, by the soil model"
    return _with_step(out, series, to, cover, step, site_spread(series))


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
    return _with_step(series.copy(data=values), series, to, cover, step, spread)


def _word(surface: str) -> str:
    return "unknown ground, taken as grass," if surface == "unknown" else surface


def _with_step(
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
