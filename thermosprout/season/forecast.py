"""Forecast every row of a season, the main job, and its curves through time for pictures."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from contextlib import AbstractContextManager, nullcontext, suppress
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

import numpy as np
import xarray as xr

from thermosprout.crops.crop import Crop
from thermosprout.emergence.conditioning import Conditioned, Count, condition
from thermosprout.emergence.count_likelihood import failed_rate, lost_over_standing
from thermosprout.emergence.forecast import DRAWS, STAGES, RowForecast, Sowing
from thermosprout.emergence.thermal_time import ThermalClock
from thermosprout.emergence.treatments import Handling, Treatment
from thermosprout.emergence.weighted_draws import ODDS, odds, weighted_quantile
from thermosprout.errors import CoverageError, InputError, Note
from thermosprout.quantities import FloatArray, percent
from thermosprout.season.context import Context, season_context
from thermosprout.season.load import Season
from thermosprout.season.notes import absent_notes, row_notes, undated_tests
from thermosprout.season.schema import Row, hours, instant, local, stamp, stamps
from thermosprout.season.setting import Case
from thermosprout.season.soil import describe
from thermosprout.soil.series import hours_since_epoch

_FEW_SPROUTED = 0.15
"""Share of the live seed under which a sprouting batch was too short to be meant."""


@dataclass(frozen=True, kw_only=True)
class RowAnswer:
    """One row of the answer; ``conditioned`` is there when counts were recorded."""

    row: Row
    crop: Crop
    forecast: RowForecast
    conditioned: Conditioned | None
    counts: tuple[Count, ...]
    cover: str | None
    soil_source: str
    notes: tuple[Note, ...]


@dataclass(frozen=True, kw_only=True)
class SeasonForecast:
    """Answers for all rows of a season."""

    season: Season
    as_of: datetime
    rows: tuple[RowAnswer, ...] = field(repr=False)
    notes: tuple[str, ...]
    context: Context = field(repr=False)

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON document."""
        site = self.season.data.site
        correction = self.context.supply.correction
        return {
            "site": site.name,
            "as_of": self.as_of.astimezone(site.zone).isoformat(),
            "rows": [_row_dict(answer, self.season) for answer in self.rows],
            "correction": None if correction is None else correction.to_dict(),
            "notes": list(self.notes),
        }


def handling_of(row: Row, lead_h: float) -> Handling:
    """Treatment of a row with its hours.

    Parameters
    ----------
    lead_h : float
        Time between started and planted. [h]
    """
    water_C = 20.0 if row.water_C is None else row.water_C
    room_C = 20.0 if row.room_C is None else row.room_C
    return Handling(
        treatment=Treatment(row.treatment),
        soak_h=(row.soak_h or lead_h) if row.treatment == "soaked" else 0.0,
        water_C=water_C,
        sprout_h=(row.sprout_h or lead_h) if row.treatment == "presprouted" else 0.0,
        room_C=room_C,
        radicle_mm=row.radicle_mm,
        sorted=row.sorted,
        dry_bed=row.dry_bed,
    )


def sowing_of(season: Season, row: Row, case: Case | None = None) -> Sowing:
    """Turn a row of the file into what the model takes; ``case`` carries its own estimate."""
    crop = season.row_crop(row) if case is None else case.crop
    zone = season.data.site.zone
    planted_h = hours(instant(row.planted, zone))
    handled_h = row.soak_h or row.sprout_h
    if row.started is not None:
        started_h = min(hours(instant(row.started, zone)), planted_h)
    else:
        started_h = planted_h - (handled_h or 0.0)
    handling = handling_of(row, planted_h - started_h)
    return Sowing(
        row=row.id,
        crop=crop,
        handling=handling,
        started_h=started_h,
        planted_h=planted_h,
        depth_cm=row.depth_cm or crop.usual_depth_cm,
        seeds_planted=row.seeds,
        seeds_started=row.seeds_started,
    )


def forecast_season(
    season: Season,
    *,
    as_of: datetime,
    size: int = DRAWS,
    seed: int = 0,
    offline: bool = False,
    only: frozenset[str] | None = None,
    tick: Callable[[int], None] | None = None,
) -> SeasonForecast:
    """Forecast the rows of a season.

    Parameters
    ----------
    season : Season
        A checked season file.
    as_of : datetime
        Today, as the forecast sees it (aware); counts recorded later are left out.
    size, seed : int
        Number of draws and seed of the random numbers.
    offline : bool
        Ask no weather service.
    only : frozenset of str, optional
        Row ids to forecast; all when absent.
    tick : callable, optional
        Called with 1 after each row.

    Raises
    ------
    InputError, CoverageError, ServiceError
        As reading the season's files and services meets them.
    """
    context = season_context(season, as_of=as_of, offline=offline, size=size, seed=seed)
    return forecast_rows(context, only=only, tick=tick)


def forecast_rows(
    context: Context,
    *,
    only: frozenset[str] | None = None,
    counts: Mapping[str, tuple[Count, ...]] | None = None,
    tick: Callable[[int], None] | None = None,
) -> SeasonForecast:
    """Forecast the rows of the season of a context; see :func:`forecast_season`.

    Parameters
    ----------
    counts : mapping of str to tuple of Count, optional
        Seedlings counted, by row id; those of the season's records when absent.
    """
    season, as_of = context.require_season(), context.as_of
    context.note(*absent_notes(season), *undated_tests(season, as_of))
    counts = context.counts if counts is None else counts
    rows = [row for row in season.data.rows if only is None or row.id in only]
    before = _before_counts(context, rows, counts)
    answers = []
    for row in rows:
        # A row is no evidence about itself.
        others = [
            one.lost for name, one in before.items() if name != row.id and one.lost is not None
        ]
        rate = failed_rate(others)
        answers.append(_answer(context, row, before[row.id], counts.get(row.id, ()), rate))
        if tick is not None:
            tick(1)
    context.note(context.water_sentence())
    return SeasonForecast(
        season=season,
        as_of=as_of,
        rows=tuple(answers),
        notes=tuple(context.notes),
        context=context,
    )


def forecast_of(context: Context, row: Row, case: Case | None = None) -> RowForecast:
    """Forecast of one row of the season before any count; ``case`` is what it names, looked up.

    Raises
    ------
    CoverageError
        Naming the row, when the soil temperature does not hold its day of planting.
    """
    season, case = context.require_season(), case or context.of_row(row)
    sowing = sowing_of(season, row, case)
    setting = context.setting(case, sowing.planted_h)
    try:
        return setting.row(sowing)
    except CoverageError as error:
        index = [other.id for other in season.data.rows].index(row.id)
        place = season.place("rows", index, "planted")
        if place is None:  # a row that stands in no file is the one asked about
            raise
        raise CoverageError(f"row {row.id}: {error.what}", place=place, hint=error.hint) from None


@dataclass(frozen=True, kw_only=True)
class _Before:
    """A row before its counts, and how many times as likely they are where it is lost."""

    case: Case
    forecast: RowForecast
    lost: float | None


def _before_counts(
    context: Context, rows: Sequence[Row], counts: Mapping[str, tuple[Count, ...]]
) -> dict[str, _Before]:
    """Forecast rows before their counts, by id in the order of the season.

    Where one of them was counted, the other counted rows of the season are there too: what became
    of them shows how often rows are lost, see :func:`failed_rate`.
    """
    season = context.require_season()
    names = {row.id for row in rows}
    counted = any(counts.get(name) for name in names)
    # Rows of one clock follow each other, so that only its sums are laid out at a time.
    alike: dict[ThermalClock | None, list[tuple[Row, Case]]] = {}
    before: dict[str, _Before | None] = {}
    for row in season.data.rows:
        if row.id in names or (counted and counts.get(row.id)):
            before[row.id] = None
            with _passing_over_others(row, names):
                case = context.of_row(row)
                planted_h = hours(instant(row.planted, season.data.site.zone))
                clock = None if context.constant_C is not None else context.clock(case, planted_h)
                alike.setdefault(clock, []).append((row, case))
    for clock, group in alike.items():
        if clock is not None:
            clock.expect(len(group))
        for row, case in group:
            with _passing_over_others(row, names):
                forecast, lost = forecast_of(context, row, case), None
                if counts.get(row.id):
                    with suppress(InputError):  # said where the row's own counts are read
                        lost = lost_over_standing(forecast, counts[row.id])
                before[row.id] = _Before(case=case, forecast=forecast, lost=lost)
        context.rest()
    return {name: one for name, one in before.items() if one is not None}


def _passing_over_others(row: Row, names: Collection[str]) -> AbstractContextManager[None]:
    """Pass over what is wrong with a row that nobody asks for: it is said where it is."""
    return nullcontext() if row.id in names else suppress(InputError, CoverageError)


def _answer(
    context: Context,
    row: Row,
    before: _Before,
    counts: tuple[Count, ...],
    failed_before: float,
) -> RowAnswer:
    season, case, forecast = context.require_season(), before.case, before.forecast
    conditioned = None
    if counts:
        conditioned = condition(forecast, counts, failed_before=failed_before)
    answer = RowAnswer(
        row=row,
        crop=case.crop,
        forecast=conditioned.row if conditioned else forecast,
        conditioned=conditioned,
        counts=counts,
        cover=None if case.cover == "none" else case.cover,
        soil_source=describe(context.series(case)),
        notes=tuple(Note(text, "typed") for text in row_notes(row, case.crop, forecast, season)),
    )
    return replace(answer, notes=(*answer.notes, *_notes(answer, season, context)))


def _notes(answer: RowAnswer, season: Season, context: Context) -> list[Note]:
    """What the dates do not say."""
    notes: list[Note] = []
    forecast = answer.forecast
    zone = season.data.site.zone
    full = forecast.stage_quantile("full", [0.9])[0]
    half = forecast.stage_quantile("half", [0.5])[0]
    if not np.isfinite(half) or not np.isfinite(full):
        end = local(forecast.horizon_h, zone).date().isoformat()
        ready = "half up" if not np.isfinite(half) else "fully up"
        blank = f"some runs are not {ready} by then, so later dates are blank{_to_go_on(season)}"
        notes.append(Note(f"Soil temperature is known only to {end}; {blank}.", "horizon"))
    sprouted = float(np.median(forecast.state.sprouted))
    handling = forecast.sowing.handling
    if handling.treatment is Treatment.PRESPROUTED and sprouted < _FEW_SPROUTED:
        batch = f"In {handling.sprout_h:g} h at {handling.room_C:g} °C only about"
        advice = "sprouts, the quickest: sprout longer, or sow it as soaked."
        few = f"{batch} {percent(sprouted)} of the live seed {advice}"
        notes.append(Note(few, "few sprouts"))
    if forecast.nothing_odds > 0.1:
        nothing = percent(forecast.nothing_odds)
        notes.append(Note(f"Odds that nothing comes up: {nothing}.", "nothing", (nothing,)))
    if answer.conditioned is not None:
        notes.append(answer.conditioned.note)
    full_h = forecast.stage_quantile("full", [0.5])[0]
    if forecast.sowing.planted_h <= context.now_h <= full_h:
        dry = context.dry_sentence(forecast.sowing.depth_cm, answer.cover, answer.row.bed)
        notes.extend([Note(f"{dry[0].upper()}{dry[1:]}.", "drought")] if dry else [])
    return notes


def _to_go_on(season: Season) -> str:
    """Say what would continue a logger's file, where nothing does."""
    soil = season.data.soil
    if soil.file is None or soil.service is not None or soil.past_years_file is not None:
        return ""
    return ' (service = "open-meteo" or past_years_file under [soil] would go on from there)'


def _row_dict(answer: RowAnswer, season: Season) -> dict[str, Any]:
    """Return one row of the JSON document."""
    forecast = answer.forecast
    sowing = forecast.sowing
    zone = season.data.site.zone
    points = list(ODDS.values())
    stage_hours = {
        stage: dict(zip(ODDS, forecast.stage_quantile(stage, points).tolist(), strict=True))
        for stage in STAGES
    }
    stand = dict(zip(ODDS, forecast.stand_quantile(points).tolist(), strict=True))

    def since(start_h: float) -> dict[str, dict[str, float | None]]:
        return {
            stage: {
                name: round((hour - start_h) / 24.0, 2) if np.isfinite(hour) else None
                for name, hour in quantiles.items()
            }
            for stage, quantiles in stage_hours.items()
        }

    wait = forecast.wait_until_h
    document: dict[str, Any] = {
        "row": sowing.row,
        "crop": answer.crop.name,
        "called": answer.crop.common_name,
        "variety": answer.row.variety
        or next((lot.variety for lot in season.data.lots if lot.id == answer.row.lot), None),
        "lot": answer.row.lot,
        "bed": answer.row.bed,
        "cover": answer.cover,
        "treatment": str(sowing.handling.treatment),
        "started": stamp(sowing.started_h, zone),
        "planted": stamp(sowing.planted_h, zone),
        "depth_cm": sowing.depth_cm,
        "seeds_planted": sowing.seeds_planted,
        "stages": {stage: stamps(quantiles, zone) for stage, quantiles in stage_hours.items()},
        "days_since_started": since(sowing.started_h),
        "days_since_planted": since(sowing.planted_h),
        "stand": stand,
        "stand_per_seed_started": odds(forecast.stand_per_seed_started, forecast.weights),
        "wait_until": local(wait, zone).date().isoformat() if np.isfinite(wait) else None,
        "soil": {"source": answer.soil_source, "mean_C": round(forecast.soil_mean_C(), 2)},
        "counts": [
            {"inspected": stamp(count.hour, zone), "emerged": count.emerged}
            for count in answer.counts
        ],
        "notes": [note.sentence for note in answer.notes],
        "note_kinds": [{"kind": note.kind, "figures": list(note.figures)} for note in answer.notes],
    }
    if answer.conditioned is not None:
        document["failed_odds"] = answer.conditioned.failed_odds
        document["effective_draws"] = answer.conditioned.effective_draws
    return document


_STEP_H = 6.0


@dataclass(frozen=True, kw_only=True)
class EmergenceCurve:
    """Seedlings expected through time for one row, and the soil it lies in.

    Attributes
    ----------
    when : list of datetime, length k
        Local times.
    low, middle, high : ndarray, shape (k,)
        10, 50 and 90 % odds of the number of seedlings that show, per 100 seeds planted.
    soil_when, soil_C : list of datetime, ndarray
        Daily mean soil temperature at seed depth, with its 10 and 90 % odds where it has members.
    counts : list of (datetime, float)
        What was counted, per 100 seeds planted.
    """

    row: str
    title: str
    treatment: str
    planted: datetime
    started: datetime
    today: datetime
    when: list[datetime]
    low: FloatArray
    middle: FloatArray
    high: FloatArray
    soil_when: list[datetime]
    soil_C: FloatArray
    soil_low_C: FloatArray
    soil_high_C: FloatArray
    counts: list[tuple[datetime, float]]


def emergence_curves(result: SeasonForecast) -> list[EmergenceCurve]:
    """One curve per row, from a few days before planting to when waiting ends."""
    return [_curve(answer, result) for answer in result.rows]


def _curve(answer: RowAnswer, result: SeasonForecast) -> EmergenceCurve:
    forecast = answer.forecast
    sowing = forecast.sowing
    zone = result.season.data.site.zone
    late = forecast.stage_quantile("full", [0.9])[0]
    last = late + 72.0 if np.isfinite(late) else forecast.horizon_h
    counted = max((count.hour for count in answer.counts), default=sowing.planted_h)
    last = min(
        max(last, sowing.planted_h + 96.0, counted + 24.0),
        forecast.horizon_h,
        sowing.planted_h + 24 * 120,
    )
    at = np.arange(sowing.planted_h, last + _STEP_H, _STEP_H)
    shown = forecast.emerged_share(at) * forecast.seedlings[:, None] / sowing.seeds_planted * 100
    low, middle, high = weighted_quantile(shown, forecast.weights, list(ODDS.values()))
    soil_h, soil = _soil_daily(
        result.context.supply.at(sowing.depth_cm, answer.cover), sowing.planted_h - 72.0, last
    )
    return EmergenceCurve(
        row=sowing.row,
        title=" ".join(filter(None, (answer.crop.common_name, answer.row.variety))),
        treatment=str(sowing.handling.treatment),
        planted=local(sowing.planted_h, zone),
        started=local(sowing.started_h, zone),
        today=local(hours(result.as_of), zone),
        when=[local(hour, zone) for hour in at],
        low=low,
        middle=middle,
        high=high,
        soil_when=[local(hour, zone) for hour in soil_h],
        soil_C=soil[1],
        soil_low_C=soil[0],
        soil_high_C=soil[2],
        counts=[
            (local(count.hour, zone), 100.0 * count.emerged / sowing.seeds_planted)
            for count in answer.counts
        ],
    )


def _soil_daily(
    series: xr.DataArray, start_h: float, end_h: float
) -> tuple[FloatArray, FloatArray]:
    """Daily means of a series between two hours, with the odds over its members."""
    hour = hours_since_epoch(series["time"].values)
    inside = (hour >= start_h) & (hour <= end_h)
    values = np.atleast_2d(series.values)[:, inside]
    days = values.shape[1] // 24
    means = values[:, : days * 24].reshape(values.shape[0], days, 24).mean(axis=2)
    middle = hour[inside][: days * 24].reshape(days, 24).mean(axis=1)
    return middle, np.quantile(means, [0.1, 0.5, 0.9], axis=0)
