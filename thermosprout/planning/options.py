"""Ways of sowing one row, and what each would bring."""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass

import numpy as np

from thermosprout.crops.crop import Crop
from thermosprout.emergence.forecast import RowForecast
from thermosprout.emergence.harvest import Growth, HarvestNeed
from thermosprout.emergence.treatments import DRY_BED_LOSS, Handling, Treatment
from thermosprout.errors import InputError
from thermosprout.quantities import FloatArray, percent
from thermosprout.season.context import Context
from thermosprout.season.load import Season
from thermosprout.season.setting import Case, Setting
from thermosprout.special import betainc, betaincinv

MOST_SEEDS = 1_000_000

_POINTS = 16
_ENOUGH_ODDS = 0.8


def row_shares(share: FloatArray, rho: FloatArray) -> FloatArray:
    """Shares that emerge in single rows: a few evenly likely points of each draw's beta variable.

    Parameters
    ----------
    share, rho : ndarray, shape (draw,)
        Share of the seeds that emerge, and the correlation of their fates within a row.

    Returns
    -------
    ndarray, shape (draw, point)
    """
    p = np.clip(share, 1e-9, 1 - 1e-9)[:, None]
    strength = ((1.0 - rho) / np.maximum(rho, 1e-6))[:, None]
    points = (np.arange(_POINTS) + 0.5) / _POINTS
    shares = betaincinv(p * strength, (1.0 - p) * strength, points)
    return np.asarray(np.where(share[:, None] <= 0, 0.0, shares))


def odds_of_stand(shares: FloatArray, seeds: int, plants: int) -> float:
    """Odds that so many seeds give at least so many plants, as the mean over equal draws.

    Parameters
    ----------
    shares : ndarray
        From :func:`row_shares`, or the share of each draw where fates do not hang together.
    seeds, plants : int
        Seeds in the ground, and plants wanted: no more than the seeds.
    """
    # The binomial survival function is the incomplete beta function (DLMF 8.17.5).
    return float(betainc(plants, seeds - plants + 1, np.clip(shares, 0.0, 1.0)).mean())


def seeds_for_stand(share: FloatArray, rho: FloatArray, plants: int) -> int | None:
    """Fewest seeds that give the plants wanted 8 times in 10.

    Parameters
    ----------
    share, rho : ndarray, shape (draw,)
        As in :func:`row_shares`.
    plants : int
        Plants wanted.

    Returns
    -------
    int or None
        None where even a hundred times the plants would not do.

    Raises
    ------
    InputError
        When the number of plants makes no sense.
    """
    if not 0 < plants <= MOST_SEEDS:
        raise InputError(f"{plants} plants, expected 1 to {MOST_SEEDS}")
    # The survival function is smooth in the draws, so a few hundred of them carry it.
    step = max(share.size // 400, 1)
    shares = row_shares(share[::step], rho[::step])
    high = plants
    while odds_of_stand(shares, high, plants) < _ENOUGH_ODDS:
        high *= 2
        if high > 100 * plants:
            return None
    numbers = range(max(high // 2, plants - 1) + 1, high)
    return numbers.start + bisect_left(
        numbers, _ENOUGH_ODDS, key=lambda seeds: odds_of_stand(shares, seeds, plants)
    )


PLANTING_RADICLE_MM = 3.5
"""Middle of the 2 to 5 mm at which sprouted seed is planted (common practice, no source). [mm]"""

MINUTES = {Treatment.DIRECT: 10.0, Treatment.SOAKED: 15.0, Treatment.PRESPROUTED: 45.0}
"""Minutes of work per row where the season file does not say (invented, ask the grower)."""

SOWN_AGAIN_BELOW = 0.4
"""A row with a smaller share of its plants is sown again rather than kept (assumption)."""

_USUAL_SOAKS_H = (8.0, 24.0)


@dataclass(frozen=True, kw_only=True)
class Option:
    """One way of sowing."""

    name: str
    handling: Handling
    minutes: float


def usual_options(
    crop: Crop,
    *,
    soaks_h: tuple[float, ...] = (),
    water_C: float = 20.0,
    room_C: float = 20.0,
    sprout_h: float | None = None,
    minutes: dict[Treatment, float] | None = None,
    dressed: bool = False,
) -> tuple[Option, ...]:
    """Dry, soaked and pre-sprouted for a crop.

    Parameters
    ----------
    crop : Crop
        Its safe soak bounds the usual soaks.
    soaks_h : tuple of float
        Soaks to weigh; the usual ones that are safe for the crop when empty. [h]
    water_C, room_C : float
        Temperature of the water and of the room. [degC]
    sprout_h : float, optional
        Hours indoors; sprouted until radicles have their length when absent. [h]
    minutes : dict, optional
        Work per row by treatment. [min]
    dressed : bool
        Dressed seed is sown dry only.

    Raises
    ------
    InputError
        When a soak is not a length of time that seed is soaked for.
    """
    work = MINUTES | (minutes or {})
    direct = Option(name="direct", handling=Handling(), minutes=work[Treatment.DIRECT])
    if dressed:
        return (direct,)
    soaks = soaks_h or tuple(dict.fromkeys(min(h, crop.safe_soak_h) for h in _USUAL_SOAKS_H))
    for hours in soaks:
        if not 0 < hours <= 240:
            raise InputError(f"a soak of {hours:g} h, expected more than 0 and up to 240 h")
    handlings = {
        f"soaked {hours:g} h": Handling(treatment=Treatment.SOAKED, soak_h=hours, water_C=water_C)
        for hours in sorted(soaks)
    }
    handlings["pre-sprouted"] = Handling(
        treatment=Treatment.PRESPROUTED,
        sprout_h=sprout_h or 0.0,
        room_C=room_C,
        radicle_mm=None if sprout_h else PLANTING_RADICLE_MM,
    )
    return direct, *(
        Option(name=name, handling=handling, minutes=work[handling.treatment])
        for name, handling in handlings.items()
    )


def option_named(crop: Crop, treatment: str, *, dressed: bool = False) -> Option:
    """Usual way of one treatment for a crop.

    Raises
    ------
    InputError
        When the lot is dressed and may only be sown dry.
    """
    options = {str(one.handling.treatment): one for one in usual_options(crop, dressed=dressed)}
    if treatment not in options:
        raise InputError("dressed seed is sown dry", hint="use --treatment direct")
    return options[treatment]


def minutes_of(season: Season | None) -> dict[Treatment, float]:
    """Minutes of work per row by treatment, as the season file has them."""
    if season is None:
        return dict(MINUTES)
    return {treatment: getattr(season.data.minutes, treatment) for treatment in Treatment}


def growth_of(context: Context, case: Case) -> Growth:
    """Growth of a case to first harvest: on the air's temperature, for want of it on the soil's."""
    need = HarvestNeed.of(case.crop, context.size, context.seed)
    if context.air_C is not None:
        source = f"constant air temperature of {context.air_C:g} °C"
        return Growth.constant(context.air_C, need, source=source)
    if context.constant_C is not None:
        return Growth.constant(context.constant_C, need)
    if (air := context.air()) is not None:
        return Growth.of(air, need)
    context.note("Air temperature is not known: growth to first harvest runs on soil temperature.")
    source = "soil temperature, for want of air temperature"
    return Growth.of(context.series(case), need, source=source)


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What one option brings; arrays have shape (draw,).

    Attributes
    ----------
    row : RowForecast
        Stages and stand.
    free_h : float
        Hour from which the bed is there for this crop.
    lead_h : ndarray
        From wetting the seed to planting it. [h]
    half_h : ndarray
        Hour at which half of those that emerge show, without the luck of a small row.
    harvest_h : ndarray
        Hour of first harvest.
    seeds_to_plant, seeds_to_start : int or None
        For the plants wanted 8 times in 10; None where no number would do.
    seeds_per_plant : ndarray
        Seeds started for each plant.
    """

    option: Option
    row: RowForecast
    free_h: float
    target: int
    lead_h: FloatArray
    half_h: FloatArray
    harvest_h: FloatArray
    seeds_to_plant: int | None
    seeds_to_start: int | None
    seeds_per_plant: FloatArray

    @property
    def started_h(self) -> float:
        """Hour at which the seed is wetted, at the middle of what the lead may be."""
        return self.row.sowing.planted_h - float(np.median(self.lead_h))

    @property
    def filled(self) -> FloatArray:
        """Share of the plants wanted that come up; a row emptier than the floor is sown again."""
        plants = self.row.share * self.row.sowing.seeds_planted
        return np.asarray(np.clip(plants / self.target, SOWN_AGAIN_BELOW, 1.0))

    @property
    def bed_days(self) -> FloatArray:
        """Days from the bed being free to first harvest."""
        return np.asarray((self.harvest_h - self.free_h) / 24.0)

    @property
    def bed_days_per_full_row(self) -> FloatArray:
        """Bed-days divided by the share of the row that is filled: gaps use the bed as well."""
        return np.asarray(self.bed_days / self.filled)


def weigh(
    setting: Setting,
    option: Option,
    *,
    growth: Growth,
    free_h: float,
    seeds: int,
    target: int,
    earliest_start_h: float | None = None,
) -> Outcome:
    """Forecast one option for a bed that is free from an hour on.

    Parameters
    ----------
    setting : Setting
        Crop, lot and bed.
    option : Option
        Way of sowing.
    growth : Growth
        From emergence to first harvest, for as many draws as the setting has.
    free_h : float
        Hour at which the bed can be planted.
    seeds, target : int
        Seeds planted in the row, and plants wanted from it.
    earliest_start_h : float, optional
        Seed cannot be wetted before; planting waits for it. Started in good time when absent.

    Raises
    ------
    CoverageError
        When the soil temperature does not hold the day of planting.
    """
    draws = setting.draws
    planted_h = free_h
    row = setting.forecast(option.handling, planted_h, seeds=seeds)
    lead = lead_hours(row)
    if earliest_start_h is not None:
        ready_h = earliest_start_h + float(np.median(lead))
        if ready_h > planted_h and np.isfinite(ready_h):
            planted_h = ready_h
            row = setting.forecast(option.handling, planted_h, seeds=seeds)
    half = setting.clock.cross(planted_h, row.state.needed(np.full((setting.size, 1), 0.5)))[:, 0]
    rho = draws.values["plot_stand_rho"]
    per_started = row.share_of_started
    to_plant = seeds_for_stand(row.share, rho, target)
    to_start = to_plant
    if row.state.proven:
        to_start = seeds_for_stand(per_started, rho, target)
    with np.errstate(divide="ignore"):
        per_plant = 1.0 / per_started
    return Outcome(
        option=option,
        row=row,
        free_h=free_h,
        target=target,
        lead_h=lead,
        half_h=half,
        harvest_h=growth.harvest_h(half),
        seeds_to_plant=to_plant,
        seeds_to_start=to_start,
        seeds_per_plant=per_plant,
    )


def late_sprouts(sprouted: float, to_start: int | None, in_turn: int | None) -> str:
    """Why a batch takes so much seed, and how much less would do, in words.

    Parameters
    ----------
    sprouted : float
        Share of the live seed that has sprouted when the batch is planted.
    to_start, in_turn : int or None
        Seeds to start where late sprouts are thrown away, and where they are planted as well.
    """
    sentence = (
        f"About {percent(sprouted)} of the live seed has sprouted on the day the batch is planted; "
        "what sprouts later is not counted"
    )
    if to_start is None or in_turn is None or in_turn >= to_start:
        return f"{sentence}."
    return f"{sentence}. Plant it too, as it sprouts, and start {in_turn} seeds, not {to_start}."


def lead_hours(row: RowForecast) -> FloatArray:
    """Hours from wetting the seed to planting it, per draw."""
    handling = row.sowing.handling
    size = row.share.size
    if handling.radicle_mm is None:
        return np.full(size, handling.lead_h)
    # The credit of sprouted seed is its thermal time indoors less what handling sets it back.
    values = row.draws.values
    indoors = row.state.credit + values["handling_delay_Cd"]
    if handling.dry_bed:
        # A dry bed takes back a part of the time to the radicle.
        growth = handling.radicle_mm / values["radicle_mm_per_Cd"]
        indoors = growth + (indoors - growth) / (1.0 - DRY_BED_LOSS)
    rate = row.draws.rates.at(handling.room_C)
    with np.errstate(divide="ignore"):
        return np.asarray(np.where(rate > 0, indoors / rate * 24.0, np.inf))
