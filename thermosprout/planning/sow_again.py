"""Wait, fill the gaps or sow again: what a poor row would still bring, against starting anew."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from thermosprout.arrays import FloatArray
from thermosprout.emergence.forecast import RowForecast
from thermosprout.emergence.quantiles import odds
from thermosprout.emergence.treatments import Handling, Treatment
from thermosprout.errors import InputError
from thermosprout.planning.advice import capital, surely
from thermosprout.planning.compare import WORTH_DAYS, WORTH_ODDS
from thermosprout.planning.options import (
    MINUTES,
    PLANTING_RADICLE_MM,
    SOWN_AGAIN_BELOW,
    Harvest,
    Option,
    Outcome,
    weigh,
)
from thermosprout.season.setting import Setting

_SEEN_SHARE = 0.5
_GIVEN_UP = 3.0
_LEAST_D = 1.0

WAIT, FILL, AGAIN = "wait", "fill the gaps", "sow again"


@dataclass(frozen=True, kw_only=True)
class DayAhead:
    """The row on one of the next days, if nothing is done.

    Attributes
    ----------
    plants : dict
        p10, p50, p90 of the plants that show.
    still_to_come : float
        Expected share of the final stand that does not show yet.
    enough_odds : float
        Odds that as many plants as would be kept show by then.
    """

    hour: float
    plants: dict[str, float]
    still_to_come: float
    enough_odds: float


@dataclass(frozen=True, kw_only=True)
class Way:
    """One thing to do; arrays of shape (draw,).

    Attributes
    ----------
    plants : ndarray
        Plants in the end.
    half_h, harvest_h : ndarray
        Hour of half emergence and first harvest of what is sown (of the old row when waiting).
    bed_days : ndarray
        Days from now to first harvest (to half emergence where harvest lies past the horizon),
        divided by the share of the row that is filled.
    seeds : int
        More seed needed.
    """

    name: str
    plants: FloatArray
    half_h: FloatArray
    harvest_h: FloatArray
    bed_days: FloatArray
    seeds: int


@dataclass(frozen=True, kw_only=True)
class SowAgain:
    """The days ahead, the ways, and which is advised.

    Attributes
    ----------
    until : str
        What bed-days are counted to: first harvest, or half emergence where most of the former
        lies past the horizon.
    saved, saved_odds : float
        Mean bed-days that the best way saves over waiting, and the odds that it saves any.
    """

    row: RowForecast
    wanted: int
    until: str
    days: tuple[DayAhead, ...]
    ways: tuple[Way, ...]
    advised: int
    saved: float
    saved_odds: float
    advice: str
    reason: str


def sow_again(
    row: RowForecast,
    *,
    now_h: float,
    wanted: int,
    harvest: Harvest,
    ahead_d: int = 14,
    seeds: int | None = None,
    room_C: float = 20.0,
    viability: FloatArray | None = None,
    ln_shift: FloatArray | None = None,
    dressed: bool = False,
    seed: int = 0,
) -> SowAgain:
    """Weigh waiting against filling gaps and against sowing again.

    Parameters
    ----------
    row : RowForecast
        The row as it is forecast now, conditioned on its counts if there are any; what the
        counts say of crop and lot holds for the new sowing as well.
    now_h : float
        Today, in hours since 1970-01-01T00:00 UTC.
    wanted : int
        Plants wanted.
    harvest : Harvest
        When first harvest follows emergence, for as many draws.
    ahead_d : int
        Days to look ahead.
    seeds : int, optional
        Seeds of a new sowing; as many as before when absent.
    room_C : float
        Where seed for filling gaps would sprout. [degC]
    viability, ln_shift : ndarray, shape (draw,), optional
        Of another lot for the new sowing; the old one's when absent.
    dressed : bool
        Dressed seed is not sprouted, so gaps are filled with dry seed.
    seed : int
        Of the random numbers.

    Raises
    ------
    InputError
        When the row is not planted yet, or no plants are wanted.
    CoverageError
        When the soil temperature does not reach today.
    """
    if now_h < row.sowing.planted_h:
        raise InputError("the row is not planted yet, so there is nothing to wait for")
    if wanted <= 0:
        raise InputError(f"{wanted} plants were asked for, expected at least 1")
    setting = Setting(
        draws=row.draws,
        clock=row.clock,
        viability=row.viability if viability is None else viability,
        ln_shift=np.zeros(row.share.size) if ln_shift is None else ln_shift,
        depth_cm=row.sowing.depth_cm,
        seed=seed,
        luck=AGAIN,
    )
    final = row.seedlings.astype(float)
    waiting = _wait(row, harvest, final)
    anew = _anew(setting, harvest, now_h, wanted, seeds or row.sowing.seeds_planted)
    filling = _fill(row, setting, harvest, waiting, now_h, wanted, room_C, dressed)
    ways, until = _costed((waiting, filling, anew), now_h, wanted)
    advised, saved, saved_odds = _choose(ways, row.weights)
    advice, reason = _words(ways, advised, saved, saved_odds, row.weights, wanted, until)
    return SowAgain(
        row=row,
        wanted=wanted,
        until=until,
        days=tuple(_day(row, final, now_h + 24.0 * d, wanted) for d in range(ahead_d + 1)),
        ways=ways,
        advised=advised,
        saved=saved,
        saved_odds=saved_odds,
        advice=advice,
        reason=reason,
    )


def _day(row: RowForecast, final: FloatArray, hour: float, wanted: int) -> DayAhead:
    end_h = row.clock.end_h(row.sowing.planted_h)
    shown = row.emerged_share(np.array([min(hour, end_h)]))[:, 0]
    plants = shown * final
    total = float(row.weights @ final)
    missing = float(row.weights @ (final - plants)) / total if total > 0 else 0.0
    return DayAhead(
        hour=hour,
        plants=odds(plants, row.weights),
        still_to_come=missing,
        enough_odds=float(row.weights[plants >= SOWN_AGAIN_BELOW * wanted].sum()),
    )


def _costed(ways: tuple[Way, ...], now_h: float, wanted: int) -> tuple[tuple[Way, ...], str]:
    """Bed-days per full row of each way, on one footing, and until when they are counted."""
    seen = min(float(np.isfinite(way.harvest_h).mean()) for way in ways)
    harvest = seen >= _SEEN_SHARE
    # What is there already takes no more days.
    days = [
        np.maximum(((way.harvest_h if harvest else way.half_h) - now_h) / 24.0, 0.0) for way in ways
    ]
    # What never gets there costs as much as is ever waited, by the slowest way.
    usual = [float(np.median(one[np.isfinite(one)])) for one in days if np.isfinite(one).any()]
    limit = max(_GIVEN_UP * max(usual), _LEAST_D) if usual else 365.0
    costed = tuple(
        replace(
            way,
            bed_days=np.minimum(np.nan_to_num(one, nan=limit, posinf=limit), limit)
            / np.clip(way.plants / wanted, SOWN_AGAIN_BELOW, 1.0),
        )
        for way, one in zip(ways, days, strict=True)
    )
    return costed, "first harvest" if harvest else "half emergence"


def _wait(row: RowForecast, harvest: Harvest, final: FloatArray) -> Way:
    half = np.nan_to_num(row.hours[:, 1], nan=np.inf)
    return Way(
        name=WAIT,
        plants=final,
        half_h=half,
        harvest_h=harvest.hour(half),
        bed_days=np.empty(0),
        seeds=0,
    )


def _anew(setting: Setting, harvest: Harvest, now_h: float, wanted: int, seeds: int) -> Way:
    option = Option(name=AGAIN, handling=Handling(), minutes=MINUTES[Treatment.DIRECT])
    new = weigh(setting, option, harvest=harvest, free_h=now_h, seeds=seeds, wanted=wanted)
    return Way(
        name=AGAIN,
        plants=new.row.share * seeds,
        half_h=new.half_h,
        harvest_h=new.harvest_h,
        bed_days=np.empty(0),
        seeds=seeds,
    )


def _fill(
    row: RowForecast,
    setting: Setting,
    harvest: Harvest,
    waiting: Way,
    now_h: float,
    wanted: int,
    room_C: float,
    dressed: bool,
) -> Way:
    """Keep what comes, and set sprouted seed (dry, if dressed) where it is missing."""
    handling = Handling()
    if not dressed:
        handling = Handling(
            treatment=Treatment.PRESPROUTED, room_C=room_C, radicle_mm=PLANTING_RADICLE_MM
        )
    option = Option(name=FILL, handling=handling, minutes=MINUTES[Treatment.PRESPROUTED])
    expected = float(row.weights @ waiting.plants)
    gaps = int(max(np.ceil(wanted - expected), 1))
    new: Outcome = weigh(
        setting, option, harvest=harvest, free_h=now_h, seeds=gaps, wanted=gaps,
        earliest_start_h=now_h,
    )  # fmt: skip
    seeds = new.seeds_to_plant or 2 * gaps
    added = new.row.share * seeds
    plants = waiting.plants + np.minimum(added, np.maximum(wanted - waiting.plants, 0.0))
    # Old and new plants are ready apart: the row's day is the mean over its plants.
    new_share = np.where(plants > 0, (plants - waiting.plants) / np.maximum(plants, 1e-9), 1.0)
    return Way(
        name=FILL,
        plants=plants,
        half_h=_between(waiting.half_h, new.half_h, new_share),
        harvest_h=_between(waiting.harvest_h, new.harvest_h, new_share),
        bed_days=np.empty(0),
        seeds=seeds if new.seeds_to_start is None else new.seeds_to_start,
    )


def _between(old: FloatArray, new: FloatArray, new_share: FloatArray) -> FloatArray:
    """Mean hour of old and new plants; one that has no plants has no say."""
    with np.errstate(invalid="ignore"):
        mixed = new_share * new + (1 - new_share) * old
    return np.asarray(np.where(new_share >= 1, new, np.where(new_share <= 0, old, mixed)))


def _choose(ways: Sequence[Way], weights: FloatArray) -> tuple[int, float, float]:
    """Take the least bed-days per full row, unless waiting does about as well."""
    means = [float(weights @ way.bed_days) for way in ways]
    best = int(np.argmin(means))
    saved = ways[0].bed_days - ways[best].bed_days
    gain, gain_odds = float(weights @ saved), float(weights[saved > 0].sum())
    if best == 0 or gain < WORTH_DAYS or gain_odds < WORTH_ODDS:
        return 0, gain, gain_odds
    return best, gain, gain_odds


def _words(
    ways: Sequence[Way],
    advised: int,
    saved: float,
    saved_odds: float,
    weights: FloatArray,
    wanted: int,
    until: str,
) -> tuple[str, str]:
    orders = {
        WAIT: "Wait: keep the row as it is.",
        FILL: "Keep the row and fill its gaps with sprouted seed.",
        AGAIN: "Sow again now.",
    }
    plants = odds(ways[0].plants, weights)
    left = (
        f"waiting brings {plants['p50']:.0f} plants ({plants['p10']:.0f} to {plants['p90']:.0f}) "
        f"of the {wanted} wanted"
    )
    if advised == 0:
        other = min(ways[1:], key=lambda way: float(weights @ way.bed_days))
        if saved < WORTH_DAYS:
            reason = f"{capital(left)}, and to {other.name} would not bring the row on sooner."
        else:
            reason = (
                f"{capital(left)}; to {other.name} gains too seldom "
                f"(in {surely(saved_odds)} of cases) to be worth the seed and work."
            )
        return orders[WAIT], reason
    return orders[ways[advised].name], (
        f"{capital(left)}; to {ways[advised].name} saves {saved:.0f} bed-days per full row by "
        f"{until} (it gains in {surely(saved_odds)} of cases)."
    )
