"""Dry seedbeds: water at seed depth, its potential, and how much it slows the seed.

A daily balance (rain, watering, evaporation) gives the water content at seed depth, the texture
its potential (Campbell 1974), and hydrothermal time (Gummerson 1986, J. Exp. Bot. 37:729-741;
Bradford 1990, Plant Physiol. 94:840-849) the share of the progress that is left.
"""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from thermosprout.arrays import FloatArray
from thermosprout.errors import CoverageError, InputError
from thermosprout.soil.model.conduction import DRY_SHARE
from thermosprout.soil.model.ground import fitted_parameters
from thermosprout.soil.model.surface import COVERS, Cover
from thermosprout.soil.model.temperature import drive_dataset
from thermosprout.soil.model.texture import LOAM, SoilType

BASE_POTENTIAL_MPA = -1.0
"""Water potential at which half the seeds stop. Published medians run from about -0.5 (lettuce) to
-2 (pea, bean) and beyond for cereals; Bradford (1990) for lettuce, others from memory. [MPa]"""
BASE_POTENTIAL_RANGE_MPA = (-2.0, -0.5)
"""The range to be tried where a crop is not known better."""
DRYING_SCALE_CM = 5.0
"""Depth in which the lack of water falls to 1/e: drying starts at the surface. Assumption."""
DRY_FACTOR = 0.75
"""A seedbed is called dry where less than this share of the progress is left."""


@dataclass(frozen=True, kw_only=True)
class SeedbedWater:
    """Water at seed depth and what it does to progress.

    Attributes
    ----------
    factor : xarray.DataArray, dims ([member,] time)
        Share of the progress that is left, 0 to 1, hourly.
    potential : xarray.DataArray, dims ([member,] time)
        Water potential at seed depth. [MPa]
    known : bool
        False where rain is not known: the factor is one and the soil is *assumed* moist.
    """

    factor: xr.DataArray
    potential: xr.DataArray
    known: bool = True

    def dry_since(self, as_of: np.datetime64) -> np.datetime64 | None:
        """Day since when the seedbed has been dry without a break, or None where it is moist."""
        days, share = self._daily()
        at = int(np.searchsorted(days, as_of.astype("datetime64[D]"), side="right") - 1)
        if at < 0 or share[at] >= DRY_FACTOR:
            return None
        wet = np.flatnonzero(share[: at + 1] >= DRY_FACTOR)
        first = 0 if wet.size == 0 else int(wet[-1]) + 1
        return np.datetime64(days[first])

    def days_lost(self, start: np.datetime64, stop: np.datetime64) -> float:
        """Days of progress lost to drought between two instants. [d]"""
        time = self.factor["time"].values
        inside = (time >= start) & (time < stop)
        lost = 1.0 - self.factor.values[..., inside]
        return float(lost.sum(axis=-1).mean() / 24.0) if inside.any() else 0.0

    def sentence(self, as_of: np.datetime64, horizon_d: int = 10) -> str:
        """Plain words for the grower; empty where the seedbed is moist.

        Parameters
        ----------
        as_of : datetime64
            Instant of the forecast. [UTC]
        horizon_d : int
            Days ahead over which further loss is counted, as far as the series goes. [d]
        """
        if not self.known:
            return "rain and watering are not known: the seedbed is assumed moist"
        since = self.dry_since(as_of)
        if since is None:
            return ""
        until = as_of + np.timedelta64(horizon_d, "D")
        lost = self.days_lost(since.astype("datetime64[ns]"), until)
        day = since.astype("datetime64[D]").item()
        days = max(1, round(lost))
        more = f"about {days} day{'s' if days > 1 else ''} more"
        return f"seedbed dry since {day.day} {day:%B}: water it, or expect {more}"

    def _daily(self) -> tuple[npt.NDArray[np.datetime64], FloatArray]:
        time = self.factor["time"].values.astype("datetime64[D]")
        mean = self.factor.values
        if mean.ndim == 2:
            mean = mean.mean(axis=0)
        days, start = np.unique(time, return_index=True)
        counts = np.diff(np.append(start, time.size))
        return days, np.add.reduceat(mean, start) / counts


def hydrothermal_factor(
    potential: npt.ArrayLike, base_potential: npt.ArrayLike = BASE_POTENTIAL_MPA
) -> FloatArray:
    """Share of the progress that is left at a water potential, 0 to 1.

    Parameters
    ----------
    potential : array_like
        [MPa]
    base_potential : array_like
        Potential at which progress stops for the median seed, below zero. [MPa]

    Notes
    -----
    Gummerson (1986): rate = (psi - psi_b)(T - Tb) / theta_HT, here over the rate at psi = 0.
    """
    base = np.asarray(base_potential, dtype=float)
    if (base >= 0).any():
        raise InputError("a base water potential is below zero MPa")
    return np.asarray(np.clip((np.asarray(potential, dtype=float) - base) / -base, 0.0, 1.0))


def water_content_at(
    depth_cm: float, surface_depletion_mm: FloatArray, soil: SoilType
) -> FloatArray:
    """Water content at a depth when the top 10 cm lack so much water. [m3 m-3]

    The lack falls off exponentially with depth and sums to the whole over 10 cm.
    """
    scale = DRYING_SCALE_CM
    norm = 10.0 * scale * (1.0 - np.exp(-10.0 / scale))
    local = surface_depletion_mm * np.exp(-depth_cm / scale) / norm
    low = DRY_SHARE * soil.wilting_point
    return np.asarray(np.maximum(soil.field_capacity - local, low))


def seedbed_water(
    weather: xr.Dataset,
    *,
    depth_cm: float,
    soil: SoilType = LOAM,
    cover: Cover | None = None,
    watering: xr.DataArray | None = None,
    base_potential_MPa: float = BASE_POTENTIAL_MPA,
) -> SeedbedWater:
    """Water at seed depth of a bare bed from weather and watering.

    Parameters
    ----------
    weather : xarray.Dataset, dims ([member,] time)
        As for :func:`thermosprout.soil.model.temperature.soil_temperature`.
    depth_cm : float
        Depth of the seed. [cm]
    soil : SoilType
    cover : Cover, optional
    watering : xarray.DataArray, dims (time,), optional
        Watering in the hour that begins at each time. [mm]
    base_potential_MPa : float
        See :data:`BASE_POTENTIAL_MPA`.

    Returns
    -------
    SeedbedWater
        With a factor of one, and ``known`` false, where precipitation is not in the weather.
    """
    time = weather["time"].values
    dims = weather["air_temperature"].dims
    coords = {name: weather[name].values for name in dims}
    if "precipitation" not in weather:
        ones = np.ones([weather.sizes[name] for name in dims])
        return SeedbedWater(
            factor=_array(ones, dims, coords, "1"),
            potential=_array(np.zeros_like(ones), dims, coords, "MPa"),
            known=False,
        )
    if time.size < 48:
        raise CoverageError("the seedbed's water needs two days of weather at least")
    lid = COVERS["none"] if cover is None else cover
    driven, _ = drive_dataset(
        weather,
        depths_cm=(depth_cm,),
        surface="bare",
        cover=lid,
        soil=soil,
        ground=fitted_parameters(),
        watering=watering,
    )
    content = water_content_at(depth_cm, driven.water.surface_depletion, soil)
    hourly = np.repeat(soil.potential(content), 24, axis=1)[:, : time.size]
    return from_potential(
        _array(hourly if len(dims) == 2 else hourly[0], dims, coords, "MPa"), base_potential_MPa
    )


def seedbed_water_from_moisture(
    moisture: xr.DataArray, *, soil: SoilType = LOAM, base_potential_MPa: float = BASE_POTENTIAL_MPA
) -> SeedbedWater:
    """Water of the seedbed from a soil moisture series of a service or sensor. [m3 m-3]"""
    potential = moisture.copy(data=soil.potential(moisture.values))
    potential.attrs = {"units": "MPa"}
    return from_potential(potential, base_potential_MPa)


def from_potential(potential: xr.DataArray, base_potential_MPa: float) -> SeedbedWater:
    """Attach the factor to a series of potentials."""
    factor = potential.copy(data=hydrothermal_factor(potential.values, base_potential_MPa))
    factor.attrs = {"units": "1", "long_name": "share of progress left by water"}
    return SeedbedWater(factor=factor, potential=potential)


def _array(
    values: FloatArray, dims: tuple[Hashable, ...], coords: dict[Hashable, Any], units: str
) -> xr.DataArray:
    return xr.DataArray(values, dims=dims, coords=coords, attrs={"units": units})
