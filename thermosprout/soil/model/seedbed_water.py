"""Dry seedbeds: the water potential at the seed and how much it slows the seed.

The column of soil (:mod:`~thermosprout.soil.model.water`) gives the water content at seed
depth, the texture its potential (Campbell 1974), and hydrothermal time (Gummerson 1986, J. Exp.
Bot. 37:729-741; Bradford 1990, Plant Physiol. 94:840-849) the share of the progress that is left.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import xarray as xr

from thermosprout.errors import CoverageError, InputError
from thermosprout.quantities import FloatArray, percent
from thermosprout.soil.model.ground import LOAM, SoilType, fitted_parameters
from thermosprout.soil.model.run import DAY, daily_mean, water_supply
from thermosprout.soil.model.surface import COVER_SHARES, COVERS, Cover
from thermosprout.soil.model.water import (
    DAY_SHARES,
    SEEDBED_CONDUCTANCE,
    content_at,
    march_water,
)
from thermosprout.soil.model.weather import weather_arrays

BASE_POTENTIAL_MPA = -1.0
"""Water potential at which half the seeds stop. Published medians run from about -0.5 (lettuce) to
-2 (pea, bean) and beyond for cereals; Bradford (1990) for lettuce, others from memory. [MPa]"""
BASE_POTENTIAL_RANGE_MPA = (-2.0, -0.5)
"""The range to be tried where a crop is not known better."""
DRY_FACTOR = 0.75
"""A seedbed is called dry where less than this share of the progress is left."""
DRY_ODDS = 0.8
"""Odds from which the grower is told to water; from even odds on, to look."""
CONDUCTANCE_LN_SD = 1.15
"""Spread of the logarithm of a bed's conductance, firm or fluffy: one that repeats Ritchie (1972)
lies one such step below, the texture's own two above."""
EVAPORATION_LN_SD = 0.2
"""Spread of the evaporation: wind, shelter and what radiation and humidity were guessed.
Assumption: methods of FAO-56 differ by so much between each other."""
_QUANTILES = np.array([-1.2816, -0.5244, 0.0, 0.5244, 1.2816])


@dataclass(frozen=True)
class Beds:
    """Equally likely beds and seeds, each array of shape (bed,).

    Attributes
    ----------
    conductance : ndarray
        Conductivity for water over that of the texture.
    evaporation : ndarray
        Factor on the evaporation.
    base_potential_MPa : ndarray
        Potential at which progress stops. [MPa]
    """

    conductance: FloatArray
    evaporation: FloatArray
    base_potential_MPa: FloatArray

    def cycled(self, members: int) -> Beds:
        """Beds dealt to that many members in turn."""
        which = np.arange(members) % self.conductance.size
        return Beds(
            self.conductance[which], self.evaporation[which], self.base_potential_MPa[which]
        )

    @classmethod
    def usual(cls) -> Beds:
        """Make the one bed in the middle."""
        return cls(np.array([SEEDBED_CONDUCTANCE]), np.ones(1), np.array([BASE_POTENTIAL_MPA]))


_DRIEST, _WETTEST = BASE_POTENTIAL_RANGE_MPA
LIKELY_BEDS = Beds(
    conductance=SEEDBED_CONDUCTANCE * np.exp(CONDUCTANCE_LN_SD * _QUANTILES[[2, 0, 4, 1, 3]]),
    evaporation=np.exp(EVAPORATION_LN_SD * _QUANTILES[[1, 3, 0, 4, 2]]),
    base_potential_MPa=np.geomspace(_WETTEST, _DRIEST, _QUANTILES.size),
)
"""Five beds across the spread of all three, each quantile of each once (a Latin square)."""


@dataclass(frozen=True, kw_only=True)
class SeedbedWater:
    """Water at seed depth and what it does to progress.

    Attributes
    ----------
    factor : xarray.DataArray, dims ([member,] time)
        Share of the progress that is left, 0 to 1, hourly; one in soil at field capacity.
    potential : xarray.DataArray, dims ([member,] time)
        Water potential at seed depth. [MPa]
    rain_known : bool
        False where rain is not known: the factor is one and the soil is *assumed* moist.
    rain_until : datetime64, optional
        End of the rain that is known.
    """

    factor: xr.DataArray
    potential: xr.DataArray
    rain_known: bool = True
    rain_until: np.datetime64 | None = None

    def dry_odds(self, as_of: np.datetime64) -> float:
        """Odds that the seedbed is too dry on a day, 0 to 1; 0 before the weather begins."""
        days, dry = self._dry_days()
        at = int(np.searchsorted(days, as_of.astype("datetime64[D]"), side="right") - 1)
        return float(dry[:, at].mean()) if at >= 0 else 0.0

    def dry_since(self, as_of: np.datetime64) -> np.datetime64 | None:
        """Day since when the seedbed has probably been dry without a break; None where moist."""
        days, dry = self._dry_days()
        at = int(np.searchsorted(days, as_of.astype("datetime64[D]"), side="right") - 1)
        likely = dry.mean(axis=0) >= 0.5
        if at < 0 or not likely[at]:
            return None
        moist = np.flatnonzero(~likely[: at + 1])
        return np.datetime64(days[0 if moist.size == 0 else int(moist[-1]) + 1])

    def days_lost(self, start: np.datetime64, stop: np.datetime64) -> float:
        """Days of progress lost to drought between two instants. [d]"""
        time = self.factor["time"].values
        inside = (time >= start) & (time < stop)
        lost = 1.0 - self.factor.values[..., inside]
        return float(lost.sum(axis=-1).mean() / DAY) if inside.any() else 0.0

    def sentence(self, as_of: np.datetime64, horizon_d: int = 10) -> str:
        """Plain words for the grower; empty where the seedbed is moist.

        Parameters
        ----------
        as_of : datetime64
            Instant of the forecast. [UTC]
        horizon_d : int
            Days ahead over which further loss is counted; past the rain that is known the bed
            stays as it is, which the sentence says. [d]
        """
        if not self.rain_known:
            return "rain and watering are not known: the seedbed is assumed moist"
        since, odds = self.dry_since(as_of), self.dry_odds(as_of)
        if since is None:
            return ""
        day = since.astype("datetime64[D]").item()
        if odds < DRY_ODDS:
            return (
                f"the seedbed may be dry since {day.day} {day:%B} (odds {percent(odds)}): feel "
                "the soil at seed depth, and water it if it is"
            )
        until = as_of + np.timedelta64(horizon_d, "D")
        lost, unless = self.days_lost(since.astype("datetime64[ns]"), until), ""
        if self.rain_until is not None and self.rain_until < until:
            unless = " if no rain falls"
            after = (until - max(self.rain_until, as_of)) / np.timedelta64(1, "D")
            last = self.factor.sel(time=slice(None, as_of)).values[..., -1]
            ends = self.factor["time"].values[-1]
            lost += float((1.0 - last).mean()) * min(float(after), _days(ends, until))
        days = max(1, round(lost))
        more = f"about {days} day{'s' if days > 1 else ''} more"
        return f"seedbed dry since {day.day} {day:%B}: water it, or expect {more}{unless}"

    def _dry_days(self) -> tuple[npt.NDArray[np.datetime64], npt.NDArray[np.bool_]]:
        """Days, and whether each member is dry on each, shape (member, day)."""
        time = self.factor["time"].values.astype("datetime64[D]")
        days, start = np.unique(time, return_index=True)
        counts = np.diff(np.append(start, time.size))
        means = np.add.reduceat(np.atleast_2d(self.factor.values), start, axis=1) / counts
        return days, means < DRY_FACTOR


def _days(start: np.datetime64, stop: np.datetime64) -> float:
    return max(float((stop - start) / np.timedelta64(1, "D")), 0.0)


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


@dataclass(frozen=True)
class SeedbedColumn:
    """Water in all layers of a bare bed through a season, to be asked at any depth.

    Attributes
    ----------
    time : ndarray of datetime64, shape (time,)
        Hours of the weather.
    content : ndarray, shape (member, quarter of a day, layer)
        [m3 m-3]; None where rain is not known.
    soil : SoilType
    beds : Beds
        One for each member.
    members : bool
        Whether answers have a member dimension.
    rain_until : datetime64, optional
        End of the rain that is known.
    """

    time: npt.NDArray[np.datetime64]
    content: FloatArray | None
    soil: SoilType
    beds: Beds
    members: bool
    rain_until: np.datetime64 | None = None
    _dims: tuple[str, ...] = field(default=("member", "time"), repr=False)

    def at(self, depth_cm: float) -> SeedbedWater:
        """Water at a depth. [cm]"""
        size = self.beds.conductance.size
        if self.content is None:
            moist = np.zeros((size, self.time.size))
            return SeedbedWater(
                factor=self._array(moist + 1.0, "1"),
                potential=self._array(moist, "MPa"),
                rain_known=False,
            )
        quarters = self.soil.potential(content_at(self.content, depth_cm))
        hourly = np.repeat(quarters, DAY // DAY_SHARES.size, axis=1)[:, : self.time.size]
        base = self.beds.base_potential_MPa[:, None]
        # what the catalogue calls moist is soil that has drained, not free water
        moist = hydrothermal_factor(self.soil.potential(self.soil.field_capacity), base)
        factor = np.minimum(hydrothermal_factor(hourly, base) / moist, 1.0)
        return SeedbedWater(
            factor=self._array(factor, "1"),
            potential=self._array(hourly, "MPa"),
            rain_until=self.rain_until,
        )

    def _array(self, values: FloatArray, units: str) -> xr.DataArray:
        dims = self._dims if self.members else self._dims[1:]
        return xr.DataArray(
            values if self.members else values[0],
            dims=dims,
            coords={"time": self.time},
            attrs={"units": units},
        )


def seedbed_column(
    weather: xr.Dataset,
    *,
    soil: SoilType = LOAM,
    cover: Cover | None = None,
    watering: xr.DataArray | None = None,
    beds: Beds | None = None,
) -> SeedbedColumn:
    """Water in a bare bed from weather and watering.

    Parameters
    ----------
    weather : xarray.Dataset, dims ([member,] time)
        As for :func:`thermosprout.soil.model.temperature.soil_temperature`. On days whose rain is
        missing the bed keeps its water: rain that is not known is neither rain nor drought.
    soil : SoilType
    cover : Cover, optional
    watering : xarray.DataArray, dims (time,), optional
        Watering in the hour that begins at each time. [mm]
    beds : Beds, optional
        How beds and seeds differ: one member each, or dealt in turn to the members of the weather;
        the usual bed where absent.

    Returns
    -------
    SeedbedColumn

    Raises
    ------
    CoverageError
        For less than two days of weather.
    """
    time = weather["time"].values
    ensemble = "member" in weather["air_temperature"].dims
    number = weather.sizes["member"] if ensemble else 1
    spread = Beds.usual() if beds is None else beds
    of_members = spread.cycled(max(number, 1 if ensemble else spread.conductance.size))
    members = ensemble or beds is not None
    if "precipitation" not in weather:
        return SeedbedColumn(time, None, soil, of_members, members)
    if time.size < 2 * DAY:
        raise CoverageError("the seedbed's water needs two days of weather at least")
    arrays, _ = weather_arrays(weather)
    liquid, demand, _ = water_supply(
        arrays, COVERS["none"] if cover is None else cover, fitted_parameters()
    )
    pad = arrays.days * DAY - time.size
    if watering is not None:
        hours = watering.reindex(time=time).fillna(0.0).values
        liquid = liquid + np.pad(hours, (0, pad)).reshape(-1, DAY).sum(axis=1)
    demand = demand * (1.0 - COVER_SHARES["bare"])
    missing = np.isnan(np.atleast_2d(weather["precipitation"].values))
    unknown = np.pad(missing, ((0, 0), (0, pad))).reshape(missing.shape[0], -1, DAY).any(axis=2)
    shape = (of_members.conductance.size, arrays.days)
    evaporation = np.broadcast_to(demand, shape) * of_members.evaporation[:, None]
    content = march_water(
        np.where(unknown, np.maximum(evaporation, liquid), np.broadcast_to(liquid, shape)),
        evaporation,
        np.broadcast_to(daily_mean(arrays.air), shape),
        soil,
        conductance=of_members.conductance,
    )
    measured = np.flatnonzero(~missing.any(axis=0))
    until = time[measured[-1]] + np.timedelta64(1, "h") if measured.size else time[0]
    return SeedbedColumn(time, content, soil, of_members, members, until)
