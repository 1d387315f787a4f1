"""Move a soil temperature series from its own depth to another, by conduction.

Between two depths of even soil each frequency is damped and delayed by
``exp(-dz sqrt(i omega / D))`` (Carslaw & Jaeger 1959, section 2.6). Downwards that is applied as it
stands; upwards it is inverted, with the gain held so that noise is not blown up.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt
import xarray as xr

from thermosprout.arrays import FloatArray
from thermosprout.errors import InputError
from thermosprout.soil.model.texture import LOAM
from thermosprout.soil.series import soil_series

MOIST_LOAM = float(LOAM.diffusivity(0.8 * LOAM.field_capacity))
"""Diffusivity of a moist loam: Johansen (1975) and de Vries (1963), see
:mod:`thermosprout.soil.model.texture`. [m2 s-1]"""
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
    kept = {k: v for k, v in series.attrs.items() if k not in out.attrs}
    out.attrs.update(kept)
    return out


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
