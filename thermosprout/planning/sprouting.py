"""When to wet the seed so that sprouted seed is fit to plant on the day the bed comes free."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from types import MappingProxyType
from zoneinfo import ZoneInfo

import numpy as np

from thermosprout.calibration.crop_curve import short_citations
from thermosprout.crops.catalogue import EVIDENCE_FILE
from thermosprout.crops.crop import Crop
from thermosprout.dates import day_words
from thermosprout.emergence.forecast import CropDraws, generator
from thermosprout.emergence.stand import sprouted_share
from thermosprout.emergence.treatments import (
    germination_time,
    handling_survival,
    radicle_time,
    sprouted_deviate,
)
from thermosprout.emergence.weighted_draws import odds, weighted_quantile
from thermosprout.errors import InputError
from thermosprout.files import reference_rows
from thermosprout.planning.options import late_sprouts, seeds_for_stand
from thermosprout.quantities import FloatArray, percent
from thermosprout.season.schema import hours, local
from thermosprout.special import ndtr

PLANT_MM = (2.0, 5.0)
"""Radicle of the middle seed when the batch is fit to plant (common practice, no source). [mm]"""

ROOM_SD_K = 1.5
"""A room's mean temperature is not known better than this (assumption). [K]"""

_SAME_DAY_H = 6.0
"""Planting can wait for the evening or be done in the morning of its day. [h]"""

_MORNING = 8
_AWAKE = range(7, 22)
_LONGEST_H = 24 * 45
_LOOK_EARLY = 0.1
_HOPELESS = 0.2
_AS_GOOD = 0.02


HOLDING_FILE = "holding.csv"


@dataclass(frozen=True, kw_only=True)
class Hold:
    """Days that germinated seed kept its life in the cold, and who found it.

    ``days`` is zero, ``source`` empty, where nothing was published for the crop.
    """

    days: float
    temperature_C: float
    source: str
    verified: str


NO_HOLD = Hold(days=0.0, temperature_C=1.0, source="", verified="none")


@cache
def holding_table() -> Mapping[str, Hold]:
    """Published holding times by crop name."""
    cited = short_citations()
    table = {}
    for row in reference_rows(HOLDING_FILE):
        days, celsius = float(row["days"]), float(row["temperature_C"])
        source, verified = cited[row["source_id"]], row["verified"]
        table[row["crop"]] = Hold(
            days=days, temperature_C=celsius, source=source, verified=verified
        )
    return MappingProxyType(table)


def hold_of(crop: Crop) -> Hold:
    """Holding time of a crop by its name or an alias; none for crops that chilling harms."""
    table = holding_table()
    return next((table[name] for name in (crop.name, *crop.aliases) if name in table), NO_HOLD)


@dataclass(frozen=True, kw_only=True)
class ColdLoss:
    """Root growth that sprouts lost by a time in the cold.

    Attributes
    ----------
    crop : str
        Crop that was measured.
    radicle_mm, hold_h, temperature_C : float
        Length of the roots when they were chilled, for how long and how cold. [mm], [h], [degC]
    low, high : float
        Part of the growth that follows that was lost; one figure where one was printed.
    source : str
        Authors and year.
    """

    crop: str
    radicle_mm: float
    hold_h: float
    temperature_C: float
    low: float
    high: float
    source: str


def cold_losses(crop: Crop) -> tuple[ColdLoss, ...]:
    """What the cold took of the root growth of sprouts, by their length and the time.

    Measured on the crop itself; for other tender crops on those that were measured, after 3 d.
    None for crops that stand the cold.
    """
    if not crop.tender:
        return ()
    cited = short_citations()
    losses = [
        ColdLoss(
            crop=row["crop"],
            radicle_mm=float(row["radicle_mm"]),
            hold_h=float(row["hold_h"]),
            temperature_C=float(row["hold_C"]),
            low=float(row["low"] or row["figure"]),
            high=float(row["high"] or row["figure"]),
            source=cited[row["source_id"]],
        )
        for row in reference_rows(EVIDENCE_FILE)
        if row["treatment"] == "hold" and row["measure"] == "root_growth"
    ]
    own = [loss for loss in losses if loss.crop == crop.name]
    others = [loss for loss in losses if loss.hold_h == 72.0]
    return tuple(sorted(own or others, key=lambda one: (one.crop, one.hold_h, one.radicle_mm)))


@dataclass(frozen=True, kw_only=True)
class SproutingPlan:
    """Plan for one batch.

    Attributes
    ----------
    start_h, look_h, plant_h, plant_until_h : float
        Wet the seed, look for the first radicles, plant, and the last day the bed may come free.
    last_h : float
        After it the batch is likely past planting, held cold or not: the fallback.
    ready_d, plantable_d : dict
        p10, p50, p90 of days from wetting until radicles are long enough, and of days until they
        are too long in the room.
    ready_odds : float
        Odds that the batch is fit to plant over all of the bed's days, held cold if need be.
    ready_odds_without_hold, too_short_odds : float
        Odds without the cold, and odds that radicles are still too short on the first day.
    hold : Hold
        Published time in the cold; zero days where none was found.
    sprouted_share : float
        Share of the live seed that has sprouted when the batch is fit to plant.
    seeds_to_plant, seeds_to_start : int or None
        For the plants wanted; None where no number would do.
    """

    start_h: float
    look_h: float
    plant_h: float
    plant_until_h: float
    last_h: float
    room_C: float
    ready_d: dict[str, float]
    plantable_d: dict[str, float]
    ready_odds: float
    ready_odds_without_hold: float
    too_short_odds: float
    hold: Hold
    sprouted_share: float
    target: int
    seeds_to_plant: int | None
    seeds_to_start: int | None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class _Batch:
    """Draws of one batch, hours from wetting, each of shape (draw,)."""

    short_h: FloatArray
    long_h: FloatArray
    plantable_h: FloatArray
    sprouted: FloatArray
    survival: FloatArray


def plan_sprouting(
    draws: CropDraws,
    *,
    viability: FloatArray,
    ln_shift: FloatArray,
    room_C: float,
    bed_from_h: float,
    zone: ZoneInfo,
    bed_until_h: float | None = None,
    earliest_start_h: float | None = None,
    target: int = 100,
    may_hold: bool = True,
    seed: int = 0,
) -> SproutingPlan:
    """Plan a batch for the day, or the days, on which a bed comes free.

    Parameters
    ----------
    draws : CropDraws
        Parameter draws of the crop.
    viability, ln_shift : ndarray, shape (draw,)
        Live share of the lot and its shift of ln thermal time.
    room_C : float
        Temperature where the seed sprouts. [degC]
    bed_from_h, bed_until_h : float
        First and last hour at which the bed may come free; one day when the last is absent.
    zone : ZoneInfo
        The grower's; seed is wetted in waking hours.
    earliest_start_h : float, optional
        Now: seed cannot be wetted before.
    target : int
        Plants wanted.
    may_hold : bool
        Sprouted seed may be held in the cold where that is known to work.
    seed : int
        Of the random numbers.

    Raises
    ------
    InputError
        When the room is so cold or hot that the crop does not sprout, or days run backwards.
    """
    until_h = bed_from_h if bed_until_h is None else bed_until_h
    if until_h < bed_from_h:
        raise InputError("the last day the bed may come free lies before the first")
    hold = hold_of(draws.crop) if may_hold else NO_HOLD
    batch = _batch(draws, ln_shift, room_C, seed)
    leads = _possible_leads(bed_from_h, zone, earliest_start_h)
    wait = until_h - bed_from_h
    fit = _fit_odds(batch, leads, wait, 24.0 * hold.days)
    aimed_at_last = wait > 0 and fit.max() < _HOPELESS
    if aimed_at_last:
        # Sprouts that are ready before the bed are lost; a bed that is ready before them waits.
        leads = _possible_leads(until_h, zone, earliest_start_h)
        fit = _fit_odds(batch, leads, 0.0, 24.0 * hold.days)
        bed_from_h, wait = until_h, 0.0
    in_reach = earliest_start_h is None or float(leads.max()) >= float(np.median(batch.short_h))
    # The shortest lead within two hundredths of the best odds: less time in the cold. Where the
    # batch comes too late for the day whenever it is wetted, it is wetted at once.
    late = not in_reach and fit.max() <= _AS_GOOD
    lead = float(leads.max() if late else leads[np.argmax(fit >= fit.max() - _AS_GOOD)])
    start_h = bed_from_h - lead
    at = np.array([lead])
    equal = np.ones(batch.short_h.size)
    last = float(np.median(np.maximum(batch.long_h, batch.short_h))) + 24.0 * hold.days
    look = float(weighted_quantile(batch.short_h, equal, [_LOOK_EARLY])[0])
    # Seeds to plant, to wet, and to wet if late sprouts follow, in a good moist seedbed.
    share = sprouted_share(draws.values, viability, batch.survival)
    to_plant, to_start, in_turn = (
        seeds_for_stand(share * part, draws.values["plot_stand_rho"], target)
        for part in (1.0, viability * batch.sprouted, viability)
    )
    plan = SproutingPlan(
        start_h=start_h,
        look_h=min(max(_morning(start_h + look, zone), start_h + 1.0), bed_from_h),
        plant_h=bed_from_h,
        plant_until_h=until_h,
        last_h=max(_morning(start_h + last, zone), bed_from_h),
        room_C=room_C,
        ready_d={name: value / 24.0 for name, value in odds(batch.short_h, equal).items()},
        plantable_d={name: value / 24.0 for name, value in odds(batch.plantable_h, equal).items()},
        ready_odds=float(_fit_odds(batch, at, wait, 24.0 * hold.days)[0]),
        ready_odds_without_hold=float(_fit_odds(batch, at, wait, 0.0)[0]),
        too_short_odds=float((batch.short_h > lead + _SAME_DAY_H).mean()),
        hold=hold,
        sprouted_share=float(np.median(batch.sprouted)),
        target=target,
        seeds_to_plant=to_plant,
        seeds_to_start=to_start,
    )
    notes = [late_sprouts(plan.sprouted_share, to_start, in_turn)]
    if aimed_at_last:
        notes.append(
            "No batch stays fit over all of these days: this one is for the last of them. If the "
            "bed comes free sooner, it waits until the roots are ready: settle the day if you can."
        )
    notes += _timing_notes(plan, batch, wait, earliest_start_h, zone, in_reach=in_reach)
    return replace(plan, notes=(*notes, *_cold_notes(draws.crop, hold)))


def _batch(draws: CropDraws, ln_shift: FloatArray, room_C: float, seed: int) -> _Batch:
    values = draws.values
    room = room_C + ROOM_SD_K * generator(seed, "room").standard_normal(draws.rates.size)
    rate = draws.rates.at(room)
    if float((rate > 0).mean()) < 0.5:
        raise InputError(
            f"{draws.crop.common_name} hardly sprouts at {room_C:g} °C",
            hint="name a room temperature nearer to the crop's optimum",
        )
    germination = germination_time(values, ln_shift)
    short, long = PLANT_MM
    middle = 0.5 * (short + long)
    ready, over, planted = (
        radicle_time(values, germination, length) for length in (short, long, middle)
    )

    def hours_for(thermal_time: FloatArray) -> FloatArray:
        with np.errstate(divide="ignore"):
            return np.where(rate > 0, thermal_time / rate * 24.0, np.inf)

    return _Batch(
        short_h=hours_for(ready),
        long_h=hours_for(over),
        plantable_h=hours_for(over - ready),
        sprouted=np.asarray(ndtr(sprouted_deviate(values, germination, planted))),
        survival=handling_survival(values, middle),
    )


def radicles_ready_h(draws: CropDraws, *, ln_shift: FloatArray, room_C: float) -> FloatArray:
    """Hours from wetting until radicles are long enough to plant, shape (draw,).

    Raises
    ------
    InputError
        When the crop hardly sprouts at that temperature.
    """
    return _batch(draws, ln_shift, room_C, 0).short_h


def _possible_leads(bed_h: float, zone: ZoneInfo, earliest_h: float | None) -> FloatArray:
    """Whole hours before the bed at which somebody is awake to wet the seed."""
    leads = np.arange(1.0, _LONGEST_H + 1.0)
    awake = np.array([local(bed_h - lead, zone).hour in _AWAKE for lead in leads])
    leads = np.asarray(leads[awake], dtype=float)
    if earliest_h is None:
        return leads
    possible = np.asarray(leads[leads <= bed_h - earliest_h], dtype=float)
    if not possible.size:
        raise InputError(
            "the bed comes free before seed could be wetted",
            hint="sow dry, or name a later day for the bed",
        )
    return possible


def _morning(hour: float, zone: ZoneInfo) -> float:
    """Hour of eight in the morning on the local day of an instant."""
    return float(hours(local(hour, zone).replace(hour=_MORNING, minute=0)))


def _fit_odds(batch: _Batch, leads: FloatArray, wait_h: float, hold_h: float) -> FloatArray:
    """Odds per lead that radicles are long enough on the first day and not too long on the last."""
    long_enough = batch.short_h[:, None] <= leads + _SAME_DAY_H
    not_too_long = leads + wait_h - _SAME_DAY_H <= batch.long_h[:, None] + hold_h
    return np.asarray((long_enough & not_too_long).mean(axis=0), dtype=float)


def _timing_notes(
    plan: SproutingPlan,
    batch: _Batch,
    wait_h: float,
    earliest_h: float | None,
    zone: ZoneInfo,
    *,
    in_reach: bool,
) -> list[str]:
    """What a plan cannot promise; a batch is in reach that may be wetted in good time."""
    notes: list[str] = []
    typical = float(np.median(batch.short_h))
    if earliest_h is not None and not in_reach:
        ready = day_words(local(earliest_h + typical, zone).date())
        notes.append(
            f"Wetted now, the batch is fit to plant about {ready}, after the bed is free: soak or "
            "sow dry if the bed cannot wait."
        )
    elif plan.ready_odds < 0.5 and wait_h <= 0:
        notes.append(
            "It is not certain on which day the roots are ready: look daily, plant when they are, "
            "and record the batch, so that the next plan is surer."
        )
    elif plan.ready_odds < 0.5:
        notes.append(
            "One batch is unlikely to stay fit over all of these days: start a second one for the "
            "later days, or settle the day first."
        )
    if plan.too_short_odds > 0.5 and wait_h <= 0 and in_reach:
        ready = day_words(local(plan.start_h + typical, zone).date())
        notes.append(
            f"Most likely the roots are still too short on the day ({percent(plan.too_short_odds)})"
            f" and the bed waits until about {ready}; if wetted earlier, they would more often be "
            "too long."
        )
    return notes


def _cold_notes(crop: Crop, hold: Hold) -> list[str]:
    if losses := cold_losses(crop):
        whose = ", ".join(dict.fromkeys(loss.crop for loss in losses))
        sentence = (
            "Do not hold these sprouts in the cold: their roots then grow less, as measured on "
            f"{whose}."
        )
        return [sentence]
    if hold.days:
        return []
    sentence = (
        "No published time in the cold was found for this crop: plan to plant when the roots are "
        "ready."
    )
    return [sentence]
