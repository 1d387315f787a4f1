"""Wait, fill the gaps or sow again: what a poor row would still bring, against starting anew."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from thermosprout.crops.crop import cautions
from thermosprout.emergence.forecast import RowForecast
from thermosprout.emergence.harvest import Growth
from thermosprout.emergence.treatments import Handling, Treatment
from thermosprout.emergence.weighted_draws import odds, weighted_quantile
from thermosprout.errors import CoverageError, InputError
from thermosprout.planning.compare import (
    GIVEN_UP,
    WORTH_DAYS,
    WORTH_ODDS,
    harvest_is_seen,
    odds_words,
)
from thermosprout.planning.options import (
    MINUTES,
    PLANTING_RADICLE_MM,
    SOWN_AGAIN_BELOW,
    Option,
    growth_of,
    weigh,
)
from thermosprout.quantities import FloatArray
from thermosprout.season.context import Context
from thermosprout.season.forecast import forecast_rows
from thermosprout.season.schema import Document, local, rounded, stamps
from thermosprout.season.setting import Case, Question, Setting

_LEAST_D = 1.0

_UTC = ZoneInfo("UTC")

WAIT, FILL, AGAIN = "wait", "fill the gaps", "sow again"

_DOING = {FILL: "filling the gaps", AGAIN: "sowing again"}


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
    seeds: int
    bed_days: FloatArray = field(default_factory=lambda: np.empty(0))

    def to_dict(self, weights: FloatArray, zone: ZoneInfo) -> Document:
        """Return the JSON document."""
        # Half emergence is of rows in which anything comes up, as a forecast has it.
        half_h = np.where(self.plants > 0, self.half_h, np.nan)
        mean, middle = weights @ self.bed_days, weighted_quantile(self.bed_days, weights, [0.5])[0]
        return {
            "way": self.name,
            "plants": rounded(odds(self.plants, weights), 1),
            "half_up": stamps(odds(half_h, weights), zone),
            "first_harvest": stamps(odds(self.harvest_h, weights), zone),
            "bed_days_per_full_row": rounded({"mean": float(mean), "p50": float(middle)}),
            "more_seeds": self.seeds,
        }


@dataclass(frozen=True, kw_only=True)
class SowAgain:
    """What to do about a poor row: the days ahead, the ways, and which is advised.

    Attributes
    ----------
    until : str
        What bed-days are counted to: first harvest, or half emergence where most of the former
        lies past the horizon.
    saved, saved_odds : float
        Mean bed-days that the best way saves over waiting, and the odds that it saves any.
    counted : int or None
        Seedlings counted last.
    harvest_on : str
        What growth to first harvest runs on, in words.
    """

    row: RowForecast
    target: int
    until: str
    days: tuple[DayAhead, ...]
    ways: tuple[Way, ...]
    advised: int
    saved: float
    saved_odds: float
    harvest_on: str
    dressed: bool = False
    counted: int | None = None
    zone: ZoneInfo = _UTC
    notes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()

    @property
    def advice(self) -> str:
        """What to do, in a sentence."""
        return {
            WAIT: "Wait: keep the row as it is.",
            FILL: f"Keep the row and fill its gaps with {'dry' if self.dressed else 'sprouted'} "
            "seed.",
            AGAIN: "Sow again now.",
        }[self.ways[self.advised].name]

    @property
    def reason(self) -> str:
        """What waiting brings, and what the other ways would save, in a sentence."""
        ways, weights = self.ways, self.row.weights
        plants = odds(ways[0].plants, weights)
        outlook = (
            f"Waiting brings {plants['p50']:.0f} plants ({plants['p10']:.0f}–"
            f"{plants['p90']:.0f}) of the {self.target} you want"
        )
        gains = f"in {odds_words(self.saved_odds)} of cases"
        if self.advised != 0:
            doing = _DOING[ways[self.advised].name]
            return (
                f"{outlook}; {doing} saves {self.saved:.0f} bed-days per full row by {self.until} "
                f"(it gains {gains})."
            )
        doing = _DOING[min(ways[1:], key=lambda way: float(weights @ way.bed_days)).name]
        if self.saved < WORTH_DAYS:
            return f"{outlook}, and {doing} would not bring the row on sooner."
        return f"{outlook}; {doing} gains too seldom ({gains}) to be worth the seed and work."

    def to_dict(self) -> Document:
        """Return the JSON document."""
        row, zone = self.row, self.zone
        return {
            "row": row.sowing.row,
            "crop": row.draws.crop.name,
            "called": row.draws.crop.common_name,
            "planted": local(row.sowing.planted_h, zone).isoformat(),
            "seeds_planted": row.sowing.seeds_planted,
            "plants_wanted": self.target,
            "counted": self.counted,
            "harvest_on": self.harvest_on,
            "bed_days_until": self.until,
            "days": [
                {
                    "day": local(ahead.hour, zone).date().isoformat(),
                    "plants": rounded(ahead.plants, 1),
                    "still_to_come": round(ahead.still_to_come, 3),
                    "enough_odds": round(ahead.enough_odds, 3),
                }
                for ahead in self.days
            ],
            "ways": [way.to_dict(row.weights, zone) for way in self.ways],
            "advised": self.ways[self.advised].name,
            "advice": self.advice,
            "reason": self.reason,
            "cautions": list(self.cautions),
            "notes": list(self.notes),
        }


def sow_again(
    row: RowForecast,
    *,
    now_h: float,
    target: int,
    growth: Growth,
    ahead_d: int = 14,
    room_C: float = 20.0,
    viability: FloatArray | None = None,
    ln_shift: FloatArray | None = None,
    dressed: bool = False,
    dry_bed: bool = False,
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
    target : int
        Plants wanted.
    growth : Growth
        From emergence to first harvest, for as many draws.
    ahead_d : int
        Days to look ahead.
    room_C : float
        Where seed for filling gaps would sprout. [degC]
    viability, ln_shift : ndarray, shape (draw,), optional
        Of another lot for the new sowing; the old one's when absent.
    dressed : bool
        Dressed seed is not sprouted, so gaps are filled with dry seed.
    dry_bed : bool
        The bed is dry today, when new seed goes in.
    seed : int
        Of the random numbers.

    Raises
    ------
    InputError
        When the row is not planted yet.
    CoverageError
        When the soil temperature does not reach today.
    """
    if now_h < row.sowing.planted_h:
        raise InputError("the row is not planted yet, so there is nothing to wait for")
    setting = Setting(
        draws=row.draws,
        clock=row.clock,
        viability=row.viability if viability is None else viability,
        ln_shift=np.zeros(row.share.size) if ln_shift is None else ln_shift,
        depth_cm=row.sowing.depth_cm,
        dressed=dressed,
        dry_bed=dry_bed,
        seed=seed,
        luck=AGAIN,
    )
    bed: dict[str, Any] = {"growth": growth, "free_h": now_h}
    waiting = _wait(row, growth)
    ways, until = _with_bed_days(
        (
            waiting,
            _fill(row, setting, waiting, target, room_C, bed),
            _anew(setting, row.sowing.seeds_planted, target, bed),
        ),
        now_h,
        target,
    )
    advised, saved, saved_odds = _choose(ways, row.weights)
    return SowAgain(
        row=row, target=target, until=until, ways=ways, advised=advised, saved=saved,
        saved_odds=saved_odds, harvest_on=growth.source, dressed=dressed,
        days=tuple(_day(row, now_h + 24.0 * d, target) for d in range(ahead_d + 1)),
    )  # fmt: skip


def _day(row: RowForecast, hour: float, target: int) -> DayAhead:
    final = row.seedlings.astype(float)
    end_h = row.clock.end_h(row.sowing.planted_h)
    plants = row.emerged_share(np.array([min(hour, end_h)]))[:, 0] * final
    total = float(row.weights @ final)
    missing = float(row.weights @ (final - plants)) / total if total > 0 else 0.0
    return DayAhead(
        hour=hour,
        plants=odds(plants, row.weights),
        still_to_come=missing,
        enough_odds=float(row.weights[plants >= SOWN_AGAIN_BELOW * target].sum()),
    )


def _with_bed_days(ways: tuple[Way, ...], now_h: float, target: int) -> tuple[tuple[Way, ...], str]:
    """Bed-days per full row of each way, on one footing, and until when they are counted."""
    harvest = harvest_is_seen(way.harvest_h for way in ways)
    # What is there already takes no more days.
    days = [
        np.maximum(((way.harvest_h if harvest else way.half_h) - now_h) / 24.0, 0.0) for way in ways
    ]
    # What never gets there costs as much as is ever waited, by the slowest way.
    usual = [float(np.median(one[np.isfinite(one)])) for one in days if np.isfinite(one).any()]
    limit = max(GIVEN_UP * max(usual), _LEAST_D) if usual else 365.0
    costed = tuple(
        replace(
            way,
            bed_days=np.minimum(np.nan_to_num(one, nan=limit, posinf=limit), limit)
            / np.clip(way.plants / target, SOWN_AGAIN_BELOW, 1.0),
        )
        for way, one in zip(ways, days, strict=True)
    )
    return costed, "first harvest" if harvest else "half emergence"


def _wait(row: RowForecast, growth: Growth) -> Way:
    half = np.nan_to_num(row.hours[:, 1], nan=np.inf)
    plants = row.seedlings.astype(float)
    return Way(name=WAIT, plants=plants, half_h=half, harvest_h=growth.harvest_h(half), seeds=0)


def _anew(setting: Setting, seeds: int, target: int, bed: Mapping[str, Any]) -> Way:
    option = Option(name=AGAIN, handling=Handling(), minutes=MINUTES[Treatment.DIRECT])
    new = weigh(setting, option, seeds=seeds, target=target, **bed)
    plants = new.row.share * seeds
    return Way(name=AGAIN, plants=plants, half_h=new.half_h, harvest_h=new.harvest_h, seeds=seeds)


def _fill(
    row: RowForecast,
    setting: Setting,
    waiting: Way,
    target: int,
    room_C: float,
    bed: Mapping[str, Any],
) -> Way:
    """Keep what comes, and set sprouted seed (dry, if dressed) where it is missing."""
    handling = Handling()
    if not setting.dressed:
        handling = Handling(
            treatment=Treatment.PRESPROUTED, room_C=room_C, radicle_mm=PLANTING_RADICLE_MM
        )
    option = Option(name=FILL, handling=handling, minutes=MINUTES[Treatment.PRESPROUTED])
    expected = float(row.weights @ waiting.plants)
    gaps = int(max(np.ceil(target - expected), 1))
    try:
        new = weigh(setting, option, seeds=gaps, target=gaps, earliest_start_h=bed["free_h"], **bed)
    except CoverageError as error:
        raise CoverageError(f"seed for the gaps would be ready too late: {error.what}") from None
    seeds = new.seeds_to_plant or 2 * gaps
    added = new.row.share * seeds
    plants = waiting.plants + np.minimum(added, np.maximum(target - waiting.plants, 0.0))
    # Old and new plants are ready apart: the row's day is the mean over its plants.
    new_share = np.where(plants > 0, (plants - waiting.plants) / np.maximum(plants, 1e-9), 1.0)
    return Way(
        name=FILL,
        plants=plants,
        half_h=_between(waiting.half_h, new.half_h, new_share),
        harvest_h=_between(waiting.harvest_h, new.harvest_h, new_share),
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


def weigh_poor_row(
    context: Context,
    row_id: str,
    *,
    target: int | None = None,
    ahead_d: int = 14,
    room_C: float = 20.0,
    new_lot: str = "",
    dry_bed: bool = False,
) -> SowAgain:
    """Forecast one row of a season with its counts and weigh what can be done.

    Parameters
    ----------
    context : Context
        Of a season file.
    row_id : str
        Row of the season.
    target : int, optional
        Plants wanted; one for each station when absent, else what the seeds should have given.
    ahead_d : int
        Days to look ahead.
    room_C : float
        Where seed for filling gaps would sprout. [degC]
    new_lot : str
        Lot of a new sowing; the old one when empty.
    dry_bed : bool
        The bed is dry today, when new seed goes in.

    Raises
    ------
    InputError
        When there is no such row or lot, or the row is not planted yet.
    CoverageError
        When the soil temperature does not reach today.
    """
    season = context.require_season()
    season.require_row(row_id)
    answer = forecast_rows(context, only=frozenset({row_id})).rows[0]
    entry, forecast = answer.row, answer.forecast
    row_case = case = context.of_row(entry)
    notes = [
        *(note.sentence for note in answer.notes),
        context.water_sentence(dry_bed=dry_bed),
    ]
    if new_lot:
        case = context.case(Question(crop=answer.crop, lot=new_lot, depth_cm=case.depth_cm))
        viability, shift = context.lot_draws(case, context.today)
    else:
        viability, shift = left_over_seed(context, case, forecast, context.today)
    if target is None:
        typical = float(np.median(forecast.viability)) * 0.7 * entry.seeds
        target = entry.stations or max(round(typical), 1)
        notes.append(
            f"Plants wanted: {target}, "
            + ("one for each station." if entry.stations else "about what the seeds should give.")
        )
    if case.dressed:
        notes.append("The lot is dressed: gaps are filled with dry seed.")
    poor = sow_again(
        forecast, now_h=context.now_h, target=target, growth=growth_of(context, row_case),
        ahead_d=ahead_d, room_C=room_C, viability=viability, ln_shift=shift, dressed=case.dressed,
        dry_bed=dry_bed, seed=context.seed,
    )  # fmt: skip
    ways = ["direct" if case.dressed else "presprouted"]
    return replace(
        poor,
        counted=answer.counts[-1].emerged if answer.counts else None,
        zone=context.zone,
        notes=tuple(dict.fromkeys(notes)),
        cautions=cautions([case.crop], ways, dressed=case.dressed or None),
    )


def left_over_seed(
    context: Context, case: Case, forecast: RowForecast, on: date
) -> tuple[FloatArray, FloatArray]:
    """Viability and shift of seed left over from a row's sowing, aged up to a day.

    What the counts say of the lot is kept: each draw of the row takes the age of the draw of the
    lot that was as much alive when the row was sown.
    """
    if case.lot is None:
        return forecast.viability, forecast.ln_shift
    size = forecast.viability.size
    sowing_day = local(forecast.sowing.planted_h, context.zone).date()
    then, slow_then = context.lot_draws(case, sowing_day)
    now, slow_now = context.lot_draws(case, max(on, sowing_day))
    order = np.argsort(then, kind="stable")
    place = order[np.clip(np.searchsorted(then[order], forecast.viability), 0, size - 1)]
    share_left = now[place] / np.maximum(then[place], 1e-9)
    return (
        np.clip(forecast.viability * share_left, 0.0, 1.0),
        forecast.ln_shift + slow_now[place] - slow_then[place],
    )
