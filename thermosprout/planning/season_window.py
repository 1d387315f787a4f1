"""The best day to sow: every planting day of a context, with past years as members."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import cached_property
from zoneinfo import ZoneInfo

import numpy as np
import xarray as xr

from thermosprout.crops.crop import cautions
from thermosprout.dates import noon
from thermosprout.emergence.course_table import CourseTable
from thermosprout.emergence.forecast import clock_for
from thermosprout.emergence.harvest import Air, HarvestNeed
from thermosprout.emergence.weighted_draws import ODDS
from thermosprout.errors import CoverageError, InputError
from thermosprout.planning.options import Option, minutes_of, usual_options
from thermosprout.planning.window import (
    PROBABILITIES,
    SEEDS,
    BestDay,
    SensibleDays,
    WindowQuestion,
    best_day,
    each_way,
    sensible_days,
    sowing_window,
    usual_within_d,
)
from thermosprout.quantities import FloatArray, IntArray
from thermosprout.season.context import Context
from thermosprout.season.schema import Document, day_stamp, hours, rounded
from thermosprout.season.setting import Case, Question, Setting
from thermosprout.season.soil import describe
from thermosprout.soil.model.surface import cover_named

_HELD_SHARE = 0.9
_MOST_DAYS = 731


def years_as_members(
    series: xr.DataArray,
    start: np.datetime64,
    days: int,
    *,
    must_d: int,
    slowing: FloatArray | None = None,
) -> tuple[xr.DataArray, FloatArray | None]:
    """Cut a record into seasons that begin on one calendar day, one member each.

    Parameters
    ----------
    series : xarray.DataArray, dims ([member,] time)
        Hourly; a series whose members differ is cut to the season and its members kept. [degC]
    start : numpy.datetime64
        First instant of the season (UTC).
    days : int
        Length of the season. [d]
    must_d : int
        Days at its start of which a year must hold nine tenths to count. [d]
    slowing : ndarray of the shape of series, optional
        Factor on progress in drying soil; members of one temperature differ in it alone.

    Returns
    -------
    series : xarray.DataArray, dims (member, time)
        Years are laid over each other by the day of the year. The coordinate ``year`` names
        each member's year; hours a year does not hold are NaN.
    slowing : ndarray, shape (member, time), or None
        Cut alike.

    Raises
    ------
    CoverageError
        When no year of the record holds enough of the season.
    """
    must = 24 * min(must_d, days) + 1
    first = start.astype("datetime64[h]")
    size = 24 * days + 1
    season = first + np.arange(size) * np.timedelta64(1, "h")
    values = np.atleast_2d(series.values.astype(float))
    factors = None if slowing is None else np.broadcast_to(slowing, values.shape)
    stamps = series["time"].values.astype("datetime64[h]")
    if not (values[1:] == values[:1]).all():
        inside = (stamps >= season[0]) & (stamps <= season[-1])
        if inside.sum() < _HELD_SHARE * must:
            raise _too_short(series, season)
        return series.isel(time=inside), None if factors is None else factors[:, inside]
    month_day = first - first.astype("datetime64[Y]").astype("datetime64[h]")
    years, places = [], []
    for year in range(int(str(stamps[0])[:4]), int(str(stamps[-1])[:4]) + 1):
        begin = np.datetime64(f"{year}-01-01T00", "h") + month_day
        place = ((begin - stamps[0]) / np.timedelta64(1, "h")).astype(int) + np.arange(size)
        if np.isfinite(_at(values[0], place)[:must]).mean() >= _HELD_SHARE:
            years.append(year)
            places.append(place)
    if not years:
        raise _too_short(series, season)
    attrs = dict(series.attrs)
    if len(years) > 1:
        attrs["source"] = f"{attrs.get('source', 'record')}, years {years[0]} to {years[-1]}"
    # Few years are each seen at every level of drought; many take the levels in turn.
    levels = 1 if factors is None else factors.shape[0]
    members = len(years) * (levels if len(years) < levels else 1)
    year_of = np.arange(members) % len(years)
    level_of = np.arange(members) // len(years) if members > len(years) else year_of % levels
    cut = xr.DataArray(
        np.stack([_at(values[0], place) for place in places])[year_of],
        dims=("member", "time"),
        coords={
            "time": season.astype("datetime64[ns]"),
            "member": np.arange(members),
            "year": ("member", np.array(years)[year_of]),
            "member_weight": ("member", np.full(members, 1.0 / members)),
        },
        name=series.name,
        attrs=attrs,
    )
    if "depth" in series.coords:
        cut = cut.assign_coords(depth=series["depth"])
    if factors is None:
        return cut, None
    slow = np.stack([_at(factors[level_of[m]], places[year_of[m]], 1.0) for m in range(members)])
    return cut, slow


def _at(values: FloatArray, place: IntArray, beyond: float = np.nan) -> FloatArray:
    """Values at places in a row, another one beyond its ends."""
    inside = (place >= 0) & (place < values.size)
    return np.where(inside, values[np.clip(place, 0, values.size - 1)], beyond)


def _too_short(series: xr.DataArray, season: np.ndarray) -> CoverageError:
    begin, end = (str(season[at])[:10] for at in (0, -1))
    return CoverageError(
        f"{_span(series)}, too short for planting days and emergence from {begin} to {end}",
        hint="name an earlier last day of planting, or give a longer record",
    )


def _span(series: xr.DataArray) -> str:
    first, last = (str(series["time"].values[at])[:10] for at in (0, -1))
    return f"the record runs from {first} to {last}"


Tick = Callable[[int], None]
Progress = Callable[[str, int], AbstractContextManager[Tick]]
"""Shows a task of so many steps while it runs; what it gives is called with each step done."""

OPEN_BED = "open bed"

EMERGENCE_D = 21
"""Days past the last sowing that a year must hold to count. [d]"""

HARVEST_D = 200
"""Days past the last sowing that are looked at where the record holds them. [d]"""


@dataclass(frozen=True, kw_only=True)
class WindowAnswer:
    """A sowing window with what it stands on.

    Attributes
    ----------
    dataset : xarray.Dataset, dims (cover, treatment, sowing[, probability])
        From :func:`thermosprout.planning.window.sowing_window`.
    soil : str
        What the soil temperature is, in words.
    notes : tuple of str
        What is assumed of the water.
    """

    dataset: xr.Dataset
    zone: ZoneInfo
    soil: str
    notes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()

    @cached_property
    def sensible(self) -> tuple[SensibleDays, ...]:
        """First and last sensible day of each cover and treatment."""
        return tuple(sensible_days(self.dataset))

    @cached_property
    def best(self) -> BestDay | None:
        """Day with the fewest bed-days per full row."""
        return best_day(self.dataset)

    def to_dict(self, every: int = 1) -> Document:
        """Return the JSON document, with figures of every ``every``-th day."""
        window, zone, best = self.dataset, self.zone, self.best
        each = each_way(window)
        return {
            "crop": window.attrs["crop"],
            "called": window.attrs["called"],
            "within_days": window.attrs["within_days"],
            "members": window.attrs["members"],
            "harvest_on": window.attrs["harvest_on"],
            "soil": {"source": self.soil},
            "sensible": [
                {
                    "cover": days.cover,
                    "treatment": days.treatment,
                    "earliest": day_stamp(days.earliest, zone),
                    "last": day_stamp(days.last, zone),
                    "before_that": days.early_reason,
                    "after_that": days.late_reason or None,
                }
                for days in self.sensible
            ],
            "best": best
            and {
                "from": day_stamp(window["sowing"].values[0], zone),
                "cover": best.cover,
                "treatment": best.treatment,
                "planted": day_stamp(best.day, zone),
                "wait_d": round(best.wait_d, 1),
                "bed_days": round(best.bed_days, 1),
                "stand": round(best.stand, 3),
            },
            "days": [row for one in each for row in _day_rows(one, zone, every)],
            "cautions": list(self.cautions),
            "notes": list(self.notes),
        }


def plan_window(
    context: Context,
    question: Question,
    *,
    first: date | None = None,
    last: date | None = None,
    covers: Sequence[str] = (),
    soaks_h: Sequence[float] = (),
    room_C: float = 20.0,
    seeds: int = SEEDS,
    within_d: float | None = None,
    progress: Progress | None = None,
) -> WindowAnswer:
    """Weigh every planting day of a season for dry, soaked and sprouted seed.

    Parameters
    ----------
    context, question
        Where and what is sown.
    first, last : date, optional
        Local days of planting; today, and a year from the first, when absent.
    covers : sequence of str
        Covers to compare; the bed's own when empty.
    soaks_h : sequence of float
        Soaks to weigh; the longest that is safe for the crop when empty. [h]
    room_C : float
        Where seed is sprouted. [degC]
    seeds : int
        Seeds planted in the row.
    within_d : float, optional
        Days within which half of the row should be up; the crop's when absent. [d]
    progress : callable, optional
        Shows how far the work has come.

    Raises
    ------
    InputError
        When something is not known, or the days run backwards.
    CoverageError
        When no year of the record has all planting days.
    """
    case = context.case(question)
    begin = context.today if first is None else first
    end = begin + timedelta(days=364) if last is None else last
    builder = WindowBuilder(context, first=begin, last=end, covers=covers)
    options = usual_options(
        case.crop,
        soaks_h=tuple(soaks_h) or (case.crop.safe_soak_h,),
        room_C=room_C,
        minutes=minutes_of(context.season),
        dressed=case.dressed,
    )
    steps = len(options) * max(len(builder.covers), 1)
    with progress("Planting days", steps) if progress else nullcontext() as tick:
        dataset = builder.window(
            case, options, seeds=seeds, within_d=within_d or usual_within_d(case.crop), tick=tick
        )
    return WindowAnswer(
        dataset=dataset,
        zone=context.zone,
        soil=builder.described,
        notes=(context.water_sentence(dry_bed=case.dry_bed),),
        cautions=cautions(
            [case.crop],
            (str(option.handling.treatment) for option in options),
            dressed=case.dressed or None,
        ),
    )


class WindowBuilder:
    """Opens soil and air once and answers for many crops.

    Parameters
    ----------
    context : Context
        Season, files or series that the soil and the air are taken from.
    first, last : date
        First and last day of planting, local.
    covers : sequence of str
        Names of covers; the open bed when empty.

    Raises
    ------
    InputError
        When the days run backwards or a constant temperature was named.
    """

    def __init__(
        self, context: Context, *, first: date, last: date, covers: Sequence[str] = ()
    ) -> None:
        if context.constant_C is not None:
            raise InputError(
                "a sowing window needs weather, not a constant temperature",
                hint="give a season file, --soil or --weather",
            )
        days = (last - first).days + 1
        if days < 1:
            raise InputError(f"the window ends on {last}, before it begins on {first}")
        if days > _MOST_DAYS:
            raise InputError(f"a window of {days} days is too long, expected up to {_MOST_DAYS}")
        self.context = context
        self.days = [first + timedelta(days=n) for n in range(days)]
        self.covers = tuple(dict.fromkeys(cover_named(name).name for name in covers))
        self.described = ""
        self._soil: dict[tuple[float, str, str | None], dict[str, CourseTable]] = {}

    @property
    def sowing_h(self) -> FloatArray:
        """Local noons of all days, over changes of the clocks."""
        return np.array([hours(noon(day, self.context.zone)) for day in self.days])

    def _cut(
        self, series: xr.DataArray, slowing: FloatArray | None = None
    ) -> tuple[xr.DataArray, FloatArray | None]:
        """Years of a record as members, and what drought does in each.

        Days that no year of the record holds are refused.
        """
        start = np.datetime64(int(self.sowing_h[0] // 24) * 24, "h")
        days = len(self.days)
        cut, slow = years_as_members(
            series, start, days + HARVEST_D, must_d=days + EMERGENCE_D, slowing=slowing
        )
        last = np.datetime64(int(self.sowing_h[-1]), "h") + np.timedelta64(24, "h")
        window = cut.sel(time=slice(None, last))
        values = np.atleast_2d(window.values)
        if window["time"].values[-1] < last or not np.isfinite(values[:, -1]).any():
            raise CoverageError(
                f"{_span(series)} and does not hold planting days up to {str(last)[:10]}",
                hint="end the window earlier with --to, or give a longer record",
            )
        return cut, slow

    def soil(self, case: Case) -> dict[str, CourseTable]:
        """Soil temperature at the depth of a case, slowed by drought, by cover."""
        key = (round(case.depth_cm, 2), case.cover, case.bed)
        if key not in self._soil:
            tables: dict[str, CourseTable] = {}
            for cover in self.covers or (case.cover,):
                series, slowing = self._cut(*self.context.ground(replace(case, cover=cover)))
                self.described = self.described or describe(series)
                tables[OPEN_BED if cover == "none" else cover] = CourseTable(series, slowing)
            self._soil[key] = tables
        return self._soil[key]

    @cached_property
    def air(self) -> Air | None:
        """Air temperature, where weather is known."""
        air = self.context.air()
        if air is None:
            self.context.note(
                "Air temperature is not known: growth to harvest runs on soil temperature, and "
                "frosts are not looked at."
            )
            return None
        return Air.of(self._cut(air)[0])

    def lot_draws(self, case: Case) -> tuple[FloatArray, FloatArray]:
        """Viability and shift of ln thermal time, (draw,), or (draw, day) where the lot ages."""
        days, lot = self.days, case.lot
        if lot is None or lot.age_d(days[0]) == lot.age_d(days[-1]):
            return self.context.lot_draws(case, days[0])
        alive, shift = zip(*(self.context.lot_draws(case, day) for day in days), strict=True)
        return np.stack(alive, axis=1), np.stack(shift, axis=1)

    def window(
        self,
        case: Case,
        options: Sequence[Option],
        *,
        seeds: int = SEEDS,
        within_d: float = 14.0,
        probabilities: tuple[float, ...] = PROBABILITIES,
        tick: Tick | None = None,
    ) -> xr.Dataset:
        """Sowing window of one case over the days, covers and treatments."""
        context = self.context
        draws = context.draws(case.crop)
        viability, ln_shift = self.lot_draws(case)
        question = WindowQuestion(
            planted_h=self.sowing_h,
            need=HarvestNeed.of(case.crop, draws.rates.size, context.seed),
            seeds=seeds,
            air=self.air,
            within_d=within_d,
            probabilities=probabilities,
        )
        beds = {
            cover: Setting(
                draws=draws,
                clock=clock_for(draws, table, seed=context.seed),
                viability=viability,
                ln_shift=ln_shift,
                depth_cm=case.depth_cm,
                dry_bed=case.dry_bed,
                seed=context.seed,
            )
            for cover, table in self.soil(case).items()
        }
        return sowing_window(question, beds, options, tick=tick)


def _day_rows(one: xr.Dataset, zone: ZoneInfo, every: int) -> list[Document]:
    """Figures of every ``every``-th day of one cover and treatment."""
    stamps = one["sowing"].values
    cover, treatment = str(one["cover"].values), str(one["treatment"].values)
    figures = {str(name): one[name].values for name in one.data_vars}

    def share(name: str, day: int) -> float | None:
        if name not in figures or not np.isfinite(figures[name][day]):
            return None
        return round(float(figures[name][day]), 3)

    def points(name: str, day: int) -> dict[str, float | None]:
        return rounded(dict(zip(ODDS, figures[name][day].tolist(), strict=True)), 1)

    return [
        {
            "cover": cover,
            "treatment": treatment,
            "planted": day_stamp(stamps[day], zone),
            "odds_in_time": share("odds_in_time", day),
            "days_to_half": points("days_to_half", day),
            "stand": share("stand", day),
            "bed_days_to_harvest": points("days_to_harvest", day),
            "frost_risk": share("frost_risk", day),
            "odds_harvest_before_frost": share("odds_harvest_before_frost", day),
        }
        for day in range(0, stamps.size, every)
    ]
