"""The questions: each function answers what the command of its name answers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from thermosprout.api.answers import Comparison, Forecast, PlantingWindow, SproutingPlan
from thermosprout.api.inputs import (
    Day,
    context_of,
    day_of,
    lot_of,
    moment_of,
    place,
    some_day,
)
from thermosprout.crops.crop import Crop
from thermosprout.crops.seed_lots import SeedLot
from thermosprout.dates import noon, read_zone
from thermosprout.emergence.conditioning import Count
from thermosprout.emergence.forecast import DRAWS
from thermosprout.errors import InputError
from thermosprout.planning.compare import Goal
from thermosprout.planning.compare_answer import compare_ways
from thermosprout.planning.presprout import plan_batch
from thermosprout.planning.season_window import plan_window
from thermosprout.season.forecast import forecast_rows
from thermosprout.season.load import Season, load_season
from thermosprout.season.open_context import constant_series, one_row_season
from thermosprout.season.schema import ROW, hours
from thermosprout.season.setting import Question

if TYPE_CHECKING:
    from thermosprout.api.inputs import SoilInput, WeatherInput


@dataclass(frozen=True, repr=False)
class GrowingSeason:
    """A season file: its rows, lots, beds, soil and water, and every question about them.

    Attributes
    ----------
    season : thermosprout.season.load.Season
        The file, checked.
    """

    season: Season

    @property
    def rows(self) -> pd.DataFrame:
        """One line a row: what was sown where, how and when."""
        facts = ("lot", "bed", "treatment", "planted", "seeds")
        return pd.DataFrame(
            [
                {"row": row.id, "crop": self.season.row_crop(row).name}
                | {fact: getattr(row, fact) for fact in facts}
                for row in self.season.data.rows
            ]
        )

    def forecast(self, rows: str | Sequence[str] = (), **options: Any) -> Forecast:
        """When the rows come up; see :func:`thermosprout.forecast`."""
        return forecast(season=self, rows=rows, **options)

    def compare(self, **options: Any) -> Comparison:
        """Dry, soaked or pre-sprouted; see :func:`thermosprout.compare`."""
        return compare(season=self, **options)

    def planting_window(self, **options: Any) -> PlantingWindow:
        """How good every planting day is; see :func:`thermosprout.planting_window`."""
        return planting_window(season=self, **options)

    def presprout(self, **options: Any) -> SproutingPlan:
        """When to start a batch; see :func:`thermosprout.presprout`."""
        return presprout(season=self, **options)

    def __repr__(self) -> str:
        data = self.season.data
        head = f"{data.site.name}: {len(data.rows)} rows, {len(data.lots)} seed lots"
        first_rows = self.rows.head(30)
        return f"{head}\n{first_rows.to_string(index=False)}" if len(first_rows) else head

    def _repr_html_(self) -> str:
        return str(self.rows.to_html(index=False, border=0, max_rows=40))


def read_season(path: str | Path) -> GrowingSeason:
    """Read a season file.

    Parameters
    ----------
    path : path
        A TOML file, as ``thermosprout start`` writes it.

    Returns
    -------
    GrowingSeason
        Its methods answer with everything that the file says.

    Raises
    ------
    InputError
        For the first fault, with its line and column.

    Examples
    --------
    >>> import thermosprout as ts
    >>> season = ts.read_season("demo/season.toml")
    >>> season.forecast("N1", as_of="2026-04-05").to_frame()["stage"].tolist()
    ['first', 'half', 'full']
    """
    return GrowingSeason(load_season(path))


def forecast(
    crop: str | Crop = "",
    *,
    season: GrowingSeason | str | Path | None = None,
    rows: str | Sequence[str] = (),
    soil: SoilInput | None = None,
    weather: WeatherInput | None = None,
    at: str | tuple[float, float] | None = None,
    planted: Day | None = None,
    started: Day | None = None,
    treatment: str = "direct",
    lot: SeedLot | None = None,
    germination: float | None = None,
    seeds_tested: int | None = None,
    variety: str | None = None,
    depth_cm: float | None = None,
    soak_h: float | None = None,
    water_C: float | None = None,
    sprout_h: float | None = None,
    room_C: float | None = None,
    cover: str | None = None,
    dry_bed: bool = False,
    seeds: int = 100,
    counts: Mapping[str, int] | None = None,
    watering: Mapping[str, float] | None = None,
    rainfed: bool = False,
    texture: str = "loam",
    sensor_depth_cm: float | None = None,
    timezone: str = "UTC",
    as_of: Day | None = None,
    offline: bool = False,
    draws: int = DRAWS,
    seed: int = 0,
) -> Forecast:
    """When a row comes up, how full it stands, and until when to wait.

    Parameters
    ----------
    crop : str or Crop
        Name in the catalogue, or a crop such as a calibration returns.
    season : GrowingSeason or path, optional
        Forecast the rows of a season file instead; everything the file says counts.
    rows : str or sequence of str
        Rows of the season; all when empty.
    soil : path, Series, DataArray, Dataset or float
        Soil temperature over time, see :func:`thermosprout.read_soil`, or a constant one;
        modelled from the weather when absent. [degC]
    weather : path, DataFrame or Dataset, optional
        Rain, air temperature and what covers do, see :func:`thermosprout.read_weather`.
    at : str or (float, float), optional
        Place of a weather table.
    planted, started : str, date or datetime
        When the seed goes into the ground, and when it first met water. A day is its local noon.
    treatment : {"direct", "soaked", "presprouted"}
        How it is sown.
    lot : SeedLot, optional
        Seed lot; or its germination test by ``germination`` (a share) and ``seeds_tested``.
    depth_cm : float, optional
        Sowing depth; as is usual for the crop when absent. [cm]
    soak_h, water_C, sprout_h, room_C : float, optional
        Hours and temperature of a soak, and of sprouting indoors. [h, degC]
    dry_bed : bool
        The bed is dry when the seed goes in.
    seeds : int
        Seeds planted.
    counts : mapping of day to int, optional
        Seedlings counted so far; the forecast then stands on them.
    watering : mapping of day to float, optional
        Water given. [mm]
    rainfed : bool
        Nothing is watered, so drought counts.
    texture : str
        Of the soil, such as ``"sandy loam"``.
    sensor_depth_cm : float, optional
        Depth of the soil sensor, where the data do not say it. [cm]
    timezone : str
        IANA zone that days are meant in, and of times that carry none.
    as_of : str, date or datetime, optional
        Today; now when absent.
    draws, seed : int
        Number of draws, and seed of the random numbers.

    Returns
    -------
    Forecast

    Raises
    ------
    InputError
        When an input cannot be taken, in the sentence the command prints.
    CoverageError
        When the soil temperature does not hold the day of planting.

    Examples
    --------
    >>> import thermosprout as ts
    >>> row = ts.forecast("carrot", soil=12.0, planted="2026-04-20", germination=0.85)
    >>> row.to_frame()["days_since_planted"].round().tolist()  # doctest: +SKIP
    [11.0, 16.0, 22.0]
    """
    if (file := season_of(season)) is not None:
        names = frozenset(filter(None, (rows,) if isinstance(rows, str) else rows))
        for name in sorted(names):
            file.require_row(name)
        context = context_of(
            file, soil, weather, at, sensor_depth_cm=sensor_depth_cm, timezone=timezone,
            watering=watering, rainfed=rainfed, as_of=as_of, offline=offline, draws=draws,
            seed=seed,
        )  # fmt: skip
        return Forecast.of(forecast_rows(context, only=names or None), context)
    zone = read_zone(timezone, what="timezone")
    planted_at = moment_of(planted, zone, what="planted")
    if planted_at is None:
        raise InputError("no day of planting was given", hint='give planted="2026-04-20"')
    if isinstance(soil, int | float):
        soil = constant_series(float(soil), planted_at)
    context = context_of(
        None, soil, weather, at, sensor_depth_cm=sensor_depth_cm, timezone=timezone,
        texture=texture, watering=watering, rainfed=rainfed, as_of=as_of, draws=draws, seed=seed,
    )  # fmt: skip
    context.season = one_row_season(
        crop, lot=lot_of(lot or "", crop, germination, seeds_tested), zone=zone,
        place=place(at) if at is not None else None, planted=planted_at,
        started=moment_of(started, zone, what="started"), treatment=treatment, variety=variety,
        depth_cm=depth_cm, soak_h=soak_h, water_C=water_C, sprout_h=sprout_h, room_C=room_C,
        cover=cover, dry_bed=dry_bed, seeds_planted=seeds,
    )  # fmt: skip
    inspections = tuple(
        Count(hour=hours(noon(day_of(day, what="counts"), zone)), emerged=int(number))
        for day, number in (counts or {}).items()
    )
    of_rows = {ROW: inspections} if inspections else {}
    return Forecast.of(forecast_rows(context, counts=of_rows), context)


def compare(
    crop: str | Crop = "",
    *,
    season: GrowingSeason | str | Path | None = None,
    soil: SoilInput | None = None,
    weather: WeatherInput | None = None,
    at: str | tuple[float, float] | None = None,
    lot: str | SeedLot = "",
    germination: float | None = None,
    seeds_tested: int | None = None,
    bed: str = "",
    cover: str = "",
    date: Day | None = None,
    depth_cm: float | None = None,
    dry_bed: bool = False,
    soak_h: Sequence[float] = (),
    water_C: float = 20.0,
    room_C: float = 20.0,
    sprout_h: float | None = None,
    plants: int = 100,
    seeds: int | None = None,
    goal: str = "harvest",
    earliest: Day | None = None,
    air_C: float | None = None,
    watering: Mapping[str, float] | None = None,
    rainfed: bool = False,
    texture: str = "loam",
    sensor_depth_cm: float | None = None,
    timezone: str = "UTC",
    as_of: Day | None = None,
    offline: bool = False,
    draws: int = DRAWS,
    seed: int = 0,
) -> Comparison:
    """Sow dry, soak or pre-sprout: what each brings, what it takes, and what to do.

    Parameters
    ----------
    crop, season, soil, weather, at, watering, rainfed, sensor_depth_cm, timezone, as_of
        See :func:`thermosprout.forecast`; a float for ``soil`` is a constant temperature.
    lot : str or SeedLot
        Id of a lot of the season, or a lot.
    bed, cover : str
        Bed of the season, and a cover that is not the bed's own.
    date : str, date or datetime, optional
        Day of planting; the day the bed is free, else today.
    dry_bed : bool
        The bed is dry when the seed goes in.
    soak_h : sequence of float
        Lengths of soaks to compare; the usual ones when empty. [h]
    plants : int
        Plants wanted.
    goal : {"harvest", "bed-days", "seed", "work"}
        What matters most.
    earliest : str, date or datetime, optional
        Seed cannot be wetted before this day.

    Returns
    -------
    Comparison

    Raises
    ------
    InputError
        When an input cannot be taken, in the sentence the command prints.

    Examples
    --------
    >>> import thermosprout as ts
    >>> ways = ts.compare("beetroot", soil=9.0, draws=200)
    >>> ways.to_frame()["treatment"].unique().tolist()
    ['direct', 'soaked', 'presprouted']
    """
    if goal not in list(Goal):
        raise InputError(f"goal is {goal!r}, expected one of {', '.join(Goal)}")
    context = context_of(
        season_of(season), soil, weather, at,
        sensor_depth_cm=sensor_depth_cm, timezone=timezone, texture=texture, watering=watering,
        rainfed=rainfed, air_C=air_C, as_of=as_of, offline=offline, draws=draws, seed=seed,
    )  # fmt: skip
    question = Question(
        crop=crop, lot=lot_of(lot, crop, germination, seeds_tested), bed=bed, cover=cover,
        depth_cm=depth_cm, dry_bed=dry_bed,
    )  # fmt: skip
    result = compare_ways(
        context, question, planted=some_day(date, what="date"), goal=Goal(goal), soaks_h=soak_h,
        water_C=water_C, room_C=room_C, sprout_h=sprout_h,
        earliest=some_day(earliest, what="earliest"), plants=plants, seeds=seeds,
    )  # fmt: skip
    return Comparison.of(result, context)


def planting_window(
    crop: str | Crop = "",
    *,
    season: GrowingSeason | str | Path | None = None,
    soil: SoilInput | None = None,
    weather: WeatherInput | None = None,
    at: str | tuple[float, float] | None = None,
    lot: str | SeedLot = "",
    germination: float | None = None,
    seeds_tested: int | None = None,
    bed: str = "",
    covers: Sequence[str] = (),
    first: Day | None = None,
    last: Day | None = None,
    within_d: float | None = None,
    depth_cm: float | None = None,
    dry_bed: bool = False,
    soak_h: Sequence[float] = (),
    room_C: float = 20.0,
    watering: Mapping[str, float] | None = None,
    rainfed: bool = False,
    texture: str = "loam",
    sensor_depth_cm: float | None = None,
    timezone: str = "UTC",
    as_of: Day | None = None,
    offline: bool = False,
    draws: int = DRAWS,
    seed: int = 0,
) -> PlantingWindow:
    """How good every planting day of a season is, for each treatment and cover.

    Past years in the record count as so many ways the season may go.

    Parameters
    ----------
    crop, season, soil, weather, at, lot, dry_bed, watering, rainfed, timezone, as_of
        See :func:`thermosprout.compare`.
    covers : sequence of str
        Covers to compare, such as ``["none", "fleece"]``; the bed's own when empty.
    first, last : str, date or datetime, optional
        Days of planting; today and a year less a day when absent.
    within_d : float, optional
        Days within which half of a row should be up; by the crop when absent. [d]

    Returns
    -------
    PlantingWindow

    Raises
    ------
    InputError
        When an input cannot be taken, in the sentence the command prints.
    CoverageError
        When the soil temperature does not hold every planting day.

    Examples
    --------
    >>> import thermosprout as ts
    >>> window = ts.planting_window(
    ...     season="demo/season.toml", lot="PAR25", first="2026-04-10", last="2026-04-12", draws=200
    ... )
    >>> window.to_dataset().sizes["sowing"]
    3
    """
    context = context_of(
        season_of(season), soil, weather, at,
        sensor_depth_cm=sensor_depth_cm, timezone=timezone, texture=texture, watering=watering,
        rainfed=rainfed, as_of=as_of, offline=offline, draws=draws, seed=seed,
    )  # fmt: skip
    lot = lot_of(lot, crop, germination, seeds_tested)
    result = plan_window(
        context, Question(crop=crop, lot=lot, bed=bed, depth_cm=depth_cm, dry_bed=dry_bed),
        first=some_day(first, what="first"),
        last=some_day(last, what="last"),
        covers=covers, soaks_h=soak_h, room_C=room_C, within_d=within_d,
    )  # fmt: skip
    return PlantingWindow.of(result, context)


def presprout(
    crop: str | Crop = "",
    *,
    season: GrowingSeason | str | Path | None = None,
    lot: str | SeedLot = "",
    germination: float | None = None,
    seeds_tested: int | None = None,
    bed: str = "",
    bed_free: Day | tuple[Day, Day] | None = None,
    room_C: float = 20.0,
    plants: int = 100,
    may_hold: bool = True,
    timezone: str = "UTC",
    as_of: Day | None = None,
    draws: int = DRAWS,
    seed: int = 0,
) -> SproutingPlan:
    """When to wet a batch of seed so that it is ready on the day a bed comes free.

    Parameters
    ----------
    crop, season, lot, bed, timezone, as_of
        See :func:`thermosprout.compare`.
    bed_free : day or (day, day), optional
        Day the bed comes free, or first and last day where it is not sure; the bed's own when
        absent.
    room_C : float
        Temperature where the seed sprouts. [degC]
    plants : int
        Plants wanted.
    may_hold : bool
        Sprouted seed may be held in the cold.

    Returns
    -------
    SproutingPlan

    Raises
    ------
    InputError
        When no day is known, or the lot is dressed.

    Examples
    --------
    >>> import thermosprout as ts
    >>> plan = ts.presprout("parsnip", bed_free="2026-05-10", as_of="2026-04-01", draws=200)
    >>> plan.to_frame().shape[0] > 2
    True
    """
    context = context_of(
        season_of(season), None if season is not None else room_C, None, None,
        timezone=timezone, as_of=as_of, draws=draws, seed=seed,
    )  # fmt: skip
    first, last = bed_free if isinstance(bed_free, tuple) else (bed_free, bed_free)
    days = None
    if first is not None and last is not None:
        days = day_of(first, what="bed_free"), day_of(last, what="bed_free")
    result = plan_batch(
        context,
        Question(crop=crop, lot=lot_of(lot, crop, germination, seeds_tested), bed=bed),
        bed_free=days, room_C=room_C, plants=plants, may_hold=may_hold,
        past_season=as_of is not None,
    )  # fmt: skip
    return SproutingPlan.of(result, context)


def season_of(season: GrowingSeason | str | Path | None) -> Season | None:
    """Season, read from its file unless it was read before."""
    if isinstance(season, GrowingSeason):
        return season.season
    return None if season is None else load_season(season)
