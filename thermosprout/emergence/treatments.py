"""What soaking and sprouting change: where seed stands on its path when planted, and who is left.

For a seed that is the ``z``-th standard normal deviate of its lot, the thermal time still needed
after planting is ``scale * exp(sigma * z) - credit``. Each treatment sets the scale, the credit,
the range of ``z`` that goes into the ground, and by how much the log odds of the stand move;
everything else follows from these. How large the effects are is measured
(``reference_data/presowing_evidence.csv``), crop by crop where print allows.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from thermosprout.crops.crop import Crop
from thermosprout.crops.estimate import Draws
from thermosprout.emergence.response import ResponseDraws
from thermosprout.errors import InputError
from thermosprout.quantities import TABLE_DEPTH_CM, FloatArray
from thermosprout.special import ndtr, ndtri

_LEAST_CD = 0.05
"""No seed comes up at the very instant it is planted."""

HARM_AT_ONCE_H, FULL_SOAK_H = 0.7, 8.0
"""How fast a soak takes its effect on the stand: soybean loses a sixth in an hour under water and
physic nut no more in 14 h than in 2 h; soaks of an hour do next to nothing to seed that bears
them, and eight hours are the shortest of the usual on-farm soaks (Wuebker, Mullen & Koehler 2001;
Lozano-Isla, Miranda & Pompelli 2017; Tarquis & Bradford 1992). [h]"""

DRY_BED_LOSS = 0.7
"""Share of the germination part that sprouted seed loses again where the bed is dry: in lettuce at
a quarter of field capacity nothing of the gain was left (assumption; directions of three works)."""

PLANTABLE_MM = (1.0, 6.0)
"""Radicle lengths taken when sprouted seed is sorted (common practice, no source). [mm]"""


class Treatment(StrEnum):
    """How seed is handled before it goes into the ground."""

    DIRECT = "direct"
    SOAKED = "soaked"
    PRESPROUTED = "presprouted"


@dataclass(frozen=True, kw_only=True)
class Handling:
    """One treatment with its hours and temperatures.

    Attributes
    ----------
    soak_h, water_C : float
        Length and water temperature of a soak. [h], [degC]
    sprout_h, room_C : float
        Time on moist paper and temperature of the room. [h], [degC]
    radicle_mm : float, optional
        Radicle length of the lot's middle live seed when the batch is planted: half of the seed
        that will sprout has at least this. Replaces ``sprout_h``; those that sprouted first have
        longer ones. [mm]
    sorted : bool
        Only seeds with plantable radicles were planted.
    dry_bed : bool
        The bed lacks water when the seed goes in; a soak brings some of it.
    """

    treatment: Treatment = Treatment.DIRECT
    soak_h: float = 0.0
    water_C: float = 20.0
    sprout_h: float = 0.0
    room_C: float = 20.0
    radicle_mm: float | None = None
    sorted: bool = False
    dry_bed: bool = False

    def __post_init__(self) -> None:
        for name in ("soak_h", "sprout_h"):
            if not 0 <= getattr(self, name) <= 24 * 120:
                raise InputError(f"{name} is {getattr(self, name)} h, expected 0 to 2880")

    @property
    def lead_h(self) -> float:
        """Hours from wetting the seed to planting it, where they were named. [h]"""
        lengths = {Treatment.SOAKED: self.soak_h, Treatment.PRESPROUTED: self.sprout_h}
        return lengths.get(self.treatment, 0.0)


@dataclass(frozen=True, kw_only=True)
class SeedState:
    """Seed at planting, per draw; arrays have shape (draw,).

    Attributes
    ----------
    scale : ndarray
        Thermal time from dry seed to emergence of the median seed. [C d]
    credit : ndarray
        Thermal time already done, less what handling sets back. [C d]
    sigma : ndarray
        Sd of ln thermal time among seeds.
    z_low, z_high : ndarray
        Range of deviates that goes into the ground.
    survival : ndarray
        Share of the planted live seed that the treatment itself leaves whole.
    sprouted : ndarray
        Share of live seed started that goes into the ground.
    radicle_mm : ndarray
        Radicle length of the median planted seed, zero before germination. [mm]
    log_odds : ndarray
        What the treatment adds to the log odds that a seed comes through the seedbed.
    wet_h, water_C : float
        Hours under water before planting, and its temperature. [h], [degC]
    proven : bool
        Every planted seed has shown its radicle, so it is known to live.
    """

    scale: FloatArray
    credit: FloatArray
    sigma: FloatArray
    z_low: FloatArray
    z_high: FloatArray
    survival: FloatArray
    sprouted: FloatArray
    radicle_mm: FloatArray
    log_odds: FloatArray
    wet_h: float
    water_C: float
    proven: bool

    def needed(self, share: FloatArray) -> FloatArray:
        """Thermal time after planting until a share of the planted stand shows.

        Parameters
        ----------
        share : ndarray, shape (draw, k)
            Share of the seeds that will emerge.

        Returns
        -------
        ndarray, shape (draw, k)
            [C d]
        """
        low, high = ndtr(_column(self.z_low)), ndtr(_column(self.z_high))
        z = ndtri(np.clip(low + share * (high - low), 1e-12, 1 - 1e-12))
        thermal = _column(self.scale) * np.exp(_column(self.sigma) * z) - _column(self.credit)
        return np.asarray(np.maximum(thermal, _LEAST_CD))

    def path_ahead(self) -> FloatArray:
        """Share of the way from dry seed to emergence that the middle planted seed has ahead.

        Returns
        -------
        ndarray, shape (draw,), or that of the state over many days
            1 for dry seed; more where handling set the seed back further than it had come.
        """
        if not self.credit.any():
            return np.ones(self.credit.shape)
        ahead = self.needed(np.full((self.scale.shape[0], 1), 0.5))
        share = ahead / np.maximum(ahead + _column(self.credit), _LEAST_CD)
        return np.asarray(share if self.credit.ndim == 2 else share[:, 0])

    def emerged(self, thermal_time: FloatArray) -> FloatArray:
        """Share of the final stand that shows after a thermal time, the inverse of needed.

        Parameters
        ----------
        thermal_time : ndarray, shape (draw, k)
            Since planting. [C d]
        """
        progress = thermal_time + _column(self.credit)
        with np.errstate(divide="ignore", invalid="ignore"):
            z = np.log(progress / _column(self.scale)) / _column(self.sigma)
        z = np.where(progress > 0, z, -np.inf)
        low, high = ndtr(_column(self.z_low)), ndtr(_column(self.z_high))
        share = np.clip((ndtr(z) - low) / np.maximum(high - low, 1e-12), 0.0, 1.0)
        return np.asarray(np.where(thermal_time >= _LEAST_CD, share, 0.0))


def seed_state(
    crop: Crop,
    draws: Draws,
    rates: ResponseDraws,
    handling: Handling,
    *,
    depth_cm: float,
    ln_shift: npt.ArrayLike = 0.0,
    ln_vigour: npt.ArrayLike = 0.0,
) -> SeedState:
    """State of the seed at planting for each draw.

    Parameters
    ----------
    crop : Crop
        For its limits of soaking.
    draws : dict of ndarray
        Parameter draws in natural units, each of shape (draw,).
    rates : ResponseDraws
        Temperature response of the same draws.
    handling : Handling
        What was done to the seed.
    depth_cm : float
        Sowing depth. [cm]
    ln_shift : array_like, shape (draw,) or (draw, day)
        Shift of ln thermal time of the row.
    ln_vigour : array_like, shape (draw,) or (draw, day)
        Shift of ln thermal time of the lot: old seed is slower to germinate, but its shoots then
        grow alike (onion and cabbages: Powell, Thornton & Mitchell 1991).

    Returns
    -------
    SeedState
        Of the shape that the two shifts have together.
    """
    shift, vigour = (np.atleast_1d(np.asarray(ln, dtype=float)) for ln in (ln_shift, ln_vigour))
    days = max(shift.ndim, vigour.ndim) == 2
    if days:
        shift, vigour = _column(shift), _column(vigour)
    values = {name: _column(column) if days else column for name, column in draws.items()}
    size = np.broadcast_shapes(values["sigma"].shape, shift.shape, vigour.shape)
    to_surface = values["thermal_time_50_Cd"]
    germination = np.broadcast_to(germination_time(values, shift + vigour), size)
    deeper = values["depth_cost_Cd_per_cm"] * (depth_cm - TABLE_DEPTH_CM)
    # Shallower than the table never saves more than the way the shoot has to go.
    shoot = np.maximum((1 - values["germination_share"]) * to_surface + deeper, 0.1 * to_surface)
    scale = germination + shoot * np.exp(shift)
    sigma = values["sigma"]
    state = {
        "credit": np.zeros(size),
        "z_low": np.full(size, -np.inf),
        "z_high": np.full(size, np.inf),
        "survival": np.ones(size),
        "sprouted": np.ones(size),
        "radicle_mm": np.zeros(size),
        "log_odds": np.zeros(size),
    }
    soaked = handling.treatment is Treatment.SOAKED
    if soaked:
        in_water = _rate(rates, handling.water_C, days) / 24.0
        state |= _soak(crop, values, handling, in_water, germination)
    elif handling.treatment is Treatment.PRESPROUTED:
        in_room = _rate(rates, handling.room_C, days) * handling.sprout_h / 24.0
        state |= _sprout(values, handling, in_room, germination)
    return SeedState(
        scale=scale,
        sigma=sigma,
        wet_h=handling.soak_h if soaked else 0.0,
        water_C=handling.water_C,
        proven=handling.treatment is Treatment.PRESPROUTED,
        **state,
    )


def _column(values: FloatArray) -> FloatArray:
    """Figures of the draws as they broadcast against (draw, k)."""
    return values if values.ndim == 2 else values[:, None]


def _rate(rates: ResponseDraws, temperature_C: float, days: bool) -> FloatArray:
    rate = rates.at(temperature_C)
    return _column(rate) if days else rate


def germination_time(draws: Draws, ln_shift: FloatArray) -> FloatArray:
    """Thermal time from dry seed to the radicle of the median seed. [C d]"""
    return np.asarray(draws["germination_share"] * draws["thermal_time_50_Cd"] * np.exp(ln_shift))


def radicle_time(draws: Draws, germination: FloatArray, length_mm: float) -> FloatArray:
    """Thermal time until the radicle of the median seed has a length. [C d]"""
    return np.asarray(germination + length_mm / draws["radicle_mm_per_Cd"])


def sprouted_deviate(
    draws: Draws, germination: FloatArray, indoors: FloatArray, length_mm: float = 0.0
) -> FloatArray:
    """Deviate of the seed whose radicle has just a length after a thermal time indoors.

    All seeds below it, the quicker ones, have longer radicles; -inf where no seed has.
    """
    before = indoors - length_mm / draws["radicle_mm_per_Cd"]
    with np.errstate(divide="ignore", invalid="ignore"):
        z = np.log(before / germination) / draws["sigma"]
    return np.nan_to_num(np.asarray(z), nan=-np.inf, neginf=-np.inf)


def handling_survival(draws: Draws, length_mm: float | FloatArray) -> FloatArray:
    """Share of sprouted seed that planting leaves whole: longer radicles break more often."""
    return np.asarray(np.exp(-draws["handling_loss_per_mm"] * length_mm))


def _soak(
    crop: Crop, draws: Draws, handling: Handling, in_water: FloatArray, germination: FloatArray
) -> dict[str, FloatArray]:
    """Credit for the time in water, loss beyond the safe time, and what it does to the stand.

    ``in_water`` is the thermal time of an hour under water.
    """
    soak_h = handling.soak_h
    # Seed that is harmed gains nothing from the hours that harm it.
    useful_h = min(soak_h, crop.safe_soak_h) if crop.harmed_by_soaking else soak_h
    reach = draws["soak_reach"] * germination
    credit = draws["soak_credit"] * np.minimum(in_water * useful_h, reach)
    effect_h = HARM_AT_ONCE_H if crop.harmed_by_soaking else FULL_SOAK_H
    log_odds = draws["soak_stand"] * (1.0 - np.exp(-soak_h / effect_h))
    if handling.dry_bed:
        filled = 1.0 - np.exp(-soak_h / FULL_SOAK_H)
        credit = credit + filled * draws["dry_bed_gain"] * draws["thermal_time_50_Cd"]
        log_odds = log_odds + filled * draws["dry_bed_stand"]
    beyond_d = max(soak_h - crop.safe_soak_h, 0.0) / 24.0
    return {
        "credit": credit,
        "survival": np.exp(-draws["soak_loss_per_d"] * beyond_d),
        "log_odds": log_odds,
    }


def _sprout(
    draws: Draws, handling: Handling, in_room: FloatArray, germination: FloatArray
) -> dict[str, FloatArray]:
    """Only seed whose radicle is out is planted, and longer radicles break more often."""
    indoors = in_room
    if handling.radicle_mm is not None:
        indoors = radicle_time(draws, germination, handling.radicle_mm)
    indoors = np.broadcast_to(indoors, germination.shape)
    z_low = np.full(indoors.shape, -np.inf)
    z_high = sprouted_deviate(draws, germination, indoors)
    if handling.sorted:
        z_high, z_low = (
            sprouted_deviate(draws, germination, indoors, length) for length in PLANTABLE_MM
        )
    # Where nothing has sprouted the few earliest seeds stand in; their share is next to nothing.
    z_high = np.maximum(z_high, -8.0)
    z_low = np.minimum(z_low, z_high - 1e-3)
    low, high = ndtr(z_low), ndtr(z_high)
    middle = np.clip(0.5 * (low + high), 1e-15, 1 - 1e-15)
    median = germination * np.exp(draws["sigma"] * ndtri(middle))
    radicle = draws["radicle_mm_per_Cd"] * np.clip(indoors - median, 0.0, None)
    lost = DRY_BED_LOSS * germination if handling.dry_bed else 0.0
    return {
        "credit": indoors - draws["handling_delay_Cd"] - lost,
        "z_low": z_low,
        "z_high": z_high,
        "sprouted": np.asarray(high - low),
        "radicle_mm": np.asarray(radicle),
        "survival": handling_survival(draws, radicle),
        "log_odds": draws["sprout_stand"],
    }
