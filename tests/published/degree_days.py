"""Degree-days of whole days from their lowest and highest temperature.

The hourly clock is what forecasts stand on; these are the sums that handbooks print, needed to
compare with them and where only daily extremes are known.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


def average_degree_days(
    t_min: npt.ArrayLike,
    t_max: npt.ArrayLike,
    base: float,
    cap: float | None = None,
    *,
    raise_minimum: bool = False,
) -> FloatArray:
    """Half of minimum plus maximum, above the base.

    Parameters
    ----------
    t_min, t_max : array_like
        Lowest and highest temperature of each day, in any one unit.
    base : float
        Base temperature in the same unit.
    cap : float, optional
        Both extremes are lowered to it.
    raise_minimum : bool
        Raise both extremes to the base first (the 86/50 rule of maize).

    Returns
    -------
    ndarray
        Degree-days of each day.

    Notes
    -----
    McMaster & Wilhelm (1997), Agric. For. Meteorol. 87:291-300, methods 1 and 2.
    """
    low, high = np.asarray(t_min, dtype=float), np.asarray(t_max, dtype=float)
    if cap is not None:
        low, high = np.minimum(low, cap), np.minimum(high, cap)
    if raise_minimum:
        low, high = np.maximum(low, base), np.maximum(high, base)
    return np.asarray(np.clip(0.5 * (low + high) - base, 0.0, None))


def single_sine_degree_days(
    t_min: npt.ArrayLike, t_max: npt.ArrayLike, base: float, cap: float | None = None
) -> FloatArray:
    """Area between a sine through the day's extremes and the base, cut off flat at the cap.

    Parameters
    ----------
    t_min, t_max : array_like
        Lowest and highest temperature of each day, in any one unit.
    base : float
        Base temperature in the same unit.
    cap : float, optional
        Temperature above which nothing more is gained (horizontal cut-off).

    Returns
    -------
    ndarray
        Degree-days of each day.

    Notes
    -----
    Baskerville & Emin (1969), Ecology 50:514-517; Allen (1976), Environ. Entomol. 5:388-396.
    """
    low, high = np.asarray(t_min, dtype=float), np.asarray(t_max, dtype=float)
    total = _area_above(low, high, base)
    if cap is not None:
        total = total - _area_above(low, high, cap)
    return total


def _area_above(low: FloatArray, high: FloatArray, threshold: float) -> FloatArray:
    """Mean over a day of the part of the sine above a threshold."""
    mean, half = 0.5 * (low + high), 0.5 * (high - low)
    with np.errstate(divide="ignore", invalid="ignore"):
        angle = np.arcsin(np.clip((threshold - mean) / half, -1.0, 1.0))
    part = ((mean - threshold) * (np.pi / 2 - angle) + half * np.cos(angle)) / np.pi
    inside = np.where(low >= threshold, mean - threshold, part)
    return np.asarray(np.where(high <= threshold, 0.0, inside))
