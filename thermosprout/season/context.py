"""What an answer stands on: crop, seed lot, bed, water, soil temperature and today.

Every command and every Python function takes its setting from a :class:`Context`, whether it was
made from a season file (:func:`season_context`), from the options of a command or from objects in
memory (:mod:`.open_context`). So one question has one
answer: nothing that the season file says is forgotten on the way.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import numpy as np
import xarray as xr

from thermosprout.crops.catalogue import find_crop
from thermosprout.crops.crop import Crop
from thermosprout.crops.estimate import Estimate
from thermosprout.crops.seed_lots import SeedLot, ln_time_shift_draws, viability_draws
from thermosprout.dates import noon
from thermosprout.emergence.conditioning import Count
from thermosprout.emergence.forecast import (
    DRAWS,
    CropDraws,
    clock_for,
    generator,
)
from thermosprout.emergence.thermal_time import Clock, ConstantClock, ThermalClock
from thermosprout.errors import InputError
from thermosprout.quantities import FloatArray
from thermosprout.season.counts import as_recorded
from thermosprout.season.load import Season
from thermosprout.season.notes import depth_notes, undated_test
from thermosprout.season.schema import Bed, Row, hours, instant, local
from thermosprout.season.setting import DRY_AT_SOWING, MOIST, Case, Question, Setting
from thermosprout.season.soil import SeasonSoil, SoilSupply, describe
from thermosprout.soil.model.surface import cover_named
from thermosprout.soil.series import hours_since_epoch


class Context:
    """Where questions are asked; opens each file and draws each estimate once.

    Parameters
    ----------
    soil : SoilSupply or float
        Soil temperature, water and weather, or a constant temperature. [degC]
    zone : ZoneInfo
        Time zone that days are meant and shown in.
    season : Season, optional
        Names of lots, beds and crops are the season's.
    counts : mapping of str to tuple of Count, optional
        Counts of its rows up to today.
    as_of : datetime, optional
        Today (aware); now when absent.
    air_C : float, optional
        Constant air temperature for growth after emergence. [degC]
    size, seed : int
        Number of draws, and seed of the random numbers.

    Attributes
    ----------
    notes, doubts : list of str
        How files were read and what stands in for what, for the reader; and those notes that say
        that the soil temperature is not plausible.
    """

    def __init__(
        self,
        soil: SoilSupply | float,
        *,
        zone: ZoneInfo,
        season: Season | None = None,
        counts: Mapping[str, tuple[Count, ...]] | None = None,
        as_of: datetime | None = None,
        air_C: float | None = None,
        size: int = DRAWS,
        seed: int = 0,
    ) -> None:
        if isinstance(soil, float) and not -5 <= soil <= 60:
            raise InputError(f"a soil temperature of {soil:g} °C is not between -5 and 60 °C")
        self.season, self.zone, self.air_C = season, zone, air_C
        self.counts = dict(counts or {})
        self.as_of = as_of or datetime.now(UTC)
        self.size, self.seed = size, seed
        self.notes: list[str] = []
        self.doubts: list[str] = []
        self._soil = soil
        rows = season.data.rows if season is not None else ()
        # Rows share clocks, and a plan made beside them has the very clock of its row.
        self._first_h = min((hours(instant(row.planted, zone)) for row in rows), default=np.inf)
        self._estimates: dict[tuple[str, str | None, str | None], Estimate] = {}
        self._draws: dict[int, CropDraws] = {}
        self._dry: dict[tuple[float, str | None, str | None], str] = {}
        self._clocks: dict[tuple[int, int, int, int], ThermalClock] = {}
        self._lots: dict[tuple[str, SeedLot, date | None], tuple[FloatArray, FloatArray]] = {}

    # --- what was named -------------------------------------------------------------------

    @property
    def constant_C(self) -> float | None:
        """Constant soil temperature, where there is no series. [degC]"""
        return self._soil if isinstance(self._soil, float) else None

    @property
    def supply(self) -> SoilSupply:
        """Soil temperature, water and weather.

        Raises
        ------
        InputError
            When a constant temperature was named.
        """
        if isinstance(self._soil, float):
            raise InputError(
                "this needs soil temperature over time, not a constant one",
                hint="give a season file, --soil or --weather",
            )
        return self._soil

    @property
    def now_h(self) -> float:
        """Today, in hours since 1970-01-01T00:00 UTC."""
        return hours(self.as_of)

    @property
    def today(self) -> date:
        """Today, as a local day."""
        return self.as_of.astimezone(self.zone).date()

    def note(self, *sentences: str, doubts: Iterable[str] = ()) -> None:
        """Keep sentences for the reader, each once, and which of them put the soil in doubt."""
        self.notes.extend(text for text in dict.fromkeys(sentences) if text not in self.notes)
        self.doubts.extend(text for text in dict.fromkeys(doubts) if text not in self.doubts)

    def case(self, question: Question) -> Case:
        """Look up what a question names, and note what looks like a slip.

        Raises
        ------
        InputError
            When a crop, lot, bed or cover is not known, or crop and lot do not agree.
        """
        case = self._case(question)
        self.note(*depth_notes(case.crop, case.depth_cm))
        return case

    def _case(self, question: Question) -> Case:
        lot = self._lot(question.lot)
        crop = self._crop(question, lot)
        bed = self.bed(question.bed)
        cover = cover_named(question.cover or (bed.cover if bed is not None else None)).name
        depth = crop.usual_depth_cm if question.depth_cm is None else question.depth_cm
        if not 0.2 <= depth <= 30:
            raise InputError(f"the depth is {depth:g} cm, expected 0.2 to 30 cm")
        return Case(
            crop=crop,
            lot=lot,
            bed=question.bed or None,
            cover=cover,
            depth_cm=depth,
            dry_bed=question.dry_bed,
        )

    def of_row(self, row: Row) -> Case:
        """Look up what a row of the season names."""
        season = self.require_season()
        return self._case(
            Question(
                crop=season.row_crop(row),
                variety=row.variety,
                lot=row.lot or "",
                bed=row.bed if row.bed and season.data.beds else "",
                cover=row.cover or "",
                depth_cm=row.depth_cm,
                dry_bed=row.dry_bed,
            )
        )

    def require_season(self) -> Season:
        """Season of the context.

        Raises
        ------
        InputError
            When there is none.
        """
        if self.season is None:
            raise InputError("this needs a season file")
        return self.season

    def bed(self, name: str) -> Bed | None:
        """Bed of the season; None where none is named or there is no season.

        Raises
        ------
        InputError
            When the season has no such bed.
        """
        if not name or self.season is None:
            return None
        beds = {bed.id: bed for bed in self.season.data.beds}
        if name not in beds:
            names = ", ".join(beds) or "none"
            raise InputError(f"the season has no bed {name!r}; its beds: {names}")
        return beds[name]

    def _lot(self, lot: str | SeedLot) -> SeedLot | None:
        if isinstance(lot, SeedLot):
            return lot
        if not lot:
            return None
        if self.season is None:
            raise InputError(f"there is no seed lot {lot!r}; known lots: none")
        return self.season.lot(lot)

    def _crop(self, question: Question, lot: SeedLot | None) -> Crop:
        """Crop of a question with the saved estimate that is closest to its variety and lot."""
        sown = question.crop or (lot.crop if lot is not None else "")
        if not sown:
            raise InputError("no crop was named", hint="add --crop carrot, or --lot of the season")
        crop = sown if isinstance(sown, Crop) else self._crop_named(sown)
        if lot is not None and lot.crop and self._crop_named(lot.crop).name != crop.name:
            words = self._crop_named(lot.crop).common_name, crop.common_name
            raise InputError(f"lot {lot.id} is {words[0]}, not {words[1]}")
        if self.season is None or self.season.data.estimates_folder is None:
            return crop
        variety = question.variety or (lot.variety if lot is not None else None)
        lot_id = lot.id if lot is not None else None
        key = (crop.name, variety, lot_id)
        if key not in self._estimates:
            from thermosprout.crops.saved_estimates import best_estimate

            folder = self.season.resolve(self.season.data.estimates_folder, "estimates_folder")
            self._estimates[key] = best_estimate(crop, variety, lot_id, folder)
        return replace(crop, estimate=self._estimates[key])

    def _crop_named(self, name: str) -> Crop:
        """Crop of the season by the name used there, or of the catalogue by any of its names."""
        for word, crop in (self.season.crops if self.season is not None else {}).items():
            if name in (word, crop.name):
                return crop
        return find_crop(name)

    # --- what it stands on -----------------------------------------------------------------

    def setting(self, case: Case, planted_h: float) -> Setting:
        """Setting of a case, for a sowing about a day.

        Parameters
        ----------
        planted_h : float
            Hour of planting. The clock starts the day before, and the lot ages up to it, so that
            dry, soaked and sprouted seed of one day are the same seed.
        """
        draws = self.draws(case.crop)
        day = local(planted_h, self.zone).date() if self.constant_C is None else None
        viability, ln_shift = self.lot_draws(case, day)
        if (constant := self.constant_C) is not None:
            clock: Clock = ConstantClock(draws=draws.rates, temperature_C=constant)
            soil = f"constant {constant:g} °C"
            if case.cover != "none":
                self.note(f"A constant temperature counts as that under the {case.cover}.")
        else:
            clock = self.clock(case, planted_h)
            soil = describe(self.series(case))
        return Setting(
            draws=draws,
            clock=clock,
            viability=viability,
            ln_shift=ln_shift,
            depth_cm=case.depth_cm,
            soil=soil,
            water=self.water_sentence(dry_bed=case.dry_bed),
            dressed=case.dressed,
            dry_bed=case.dry_bed,
            seed=self.seed,
        )

    def draws(self, crop: Crop) -> CropDraws:
        """Parameter draws of a crop's estimate, drawn once."""
        key = id(crop.estimate)  # kept alive by the draws
        if key not in self._draws:
            self._draws[key] = CropDraws.of(crop, self.size, self.seed)
        return self._draws[key]

    def lot_draws(self, case: Case, on: date | None) -> tuple[FloatArray, FloatArray]:
        """Viability and shift of ln thermal time of the seed, each of shape (draw,).

        Parameters
        ----------
        on : date or None
            Day up to which a lot ages; seed of no known lot does not.
        """
        lot = case.lot or SeedLot(id="unknown", crop=case.crop.name)
        if case.lot is not None and (undated := undated_test(lot, self.as_of)):
            self.note(undated)
        key = (case.crop.name, lot, on)
        if key not in self._lots:
            names = (case.crop.name, lot.id) if case.lot is not None else (case.crop.name,)
            rng = generator(self.seed, "lot", *names)
            self._lots[key] = (
                viability_draws(lot, case.crop, self.size, rng, on),
                ln_time_shift_draws(lot, case.crop, self.size, rng, on),
            )
        return self._lots[key]

    def clock(self, case: Case, from_h: float) -> ThermalClock:
        """Clock at seed depth under the case's cover, slowed by drought; begun the day before."""
        draws = self.draws(case.crop)
        series, slowing = self.ground(case)
        first = min(from_h, self._first_h) - 24.0
        begin = int(np.searchsorted(hours_since_epoch(series["time"].values), first))
        begin = begin if begin < series.sizes["time"] - 48 else 0
        key = (id(draws), id(series), id(slowing), begin)  # kept by whoever made them
        if key not in self._clocks:
            rest = slice(begin, None)
            self._clocks[key] = clock_for(
                draws,
                series.isel(time=rest),
                seed=self.seed,
                slowing=None if slowing is None else slowing[..., rest],
            )
        return self._clocks[key]

    def rest(self) -> None:
        """Give back the memory that clocks work in; answers are not touched."""
        for clock in self._clocks.values():
            clock.rest()

    def series(self, case: Case) -> xr.DataArray:
        """Hourly soil temperature at seed depth under the case's cover. [degC]"""
        series = self.supply.at(case.depth_cm, case.cover)
        self.note(*self.supply.notes, doubts=self.supply.doubts)
        return series

    def ground(self, case: Case) -> tuple[xr.DataArray, FloatArray | None]:
        """Soil temperature at seed depth, and the factor on progress in drying soil.

        Returns
        -------
        series : xarray.DataArray, dims ([member,] time)
            [degC]
        slowing : ndarray of the same shape, or None in moist soil
        """
        ground = self.supply.drought(case.depth_cm, case.cover, case.bed)
        self.note(*self.supply.notes, doubts=self.supply.doubts)
        return ground

    def weather(self) -> xr.Dataset | None:
        """Hourly weather of the site, where it is known."""
        if self.constant_C is not None:
            return None
        weather = self.supply.weather()
        self.note(*self.supply.notes, doubts=self.supply.doubts)
        return weather

    def air(self) -> xr.DataArray | None:
        """Hourly air temperature, where weather is known. [degC]"""
        weather = self.weather()
        return None if weather is None else weather["air_temperature"]

    def water_sentence(self, *, dry_bed: bool = False) -> str:
        """Say what is assumed of the water in the seedbed, which may be dry at sowing."""
        sentence = MOIST
        if self.constant_C is None:
            self.weather()  # its own notes come first
            sentence = self.supply.water_sentence()
        if not dry_bed:
            return sentence
        later = sentence.replace("Assumes a moist seedbed", "Assumes a moist seedbed from then on")
        return f"{DRY_AT_SOWING} {later}"

    def dry_sentence(self, depth_cm: float, cover: str | None, bed: str | None) -> str:
        """Say how dry a bed is today where its drought is counted; empty where it is moist."""
        key = (round(depth_cm, 2), cover, bed)
        if key not in self._dry:
            water = self.supply.water(depth_cm, cover, bed)
            now = np.datetime64(self.as_of.astimezone(UTC).replace(tzinfo=None), "ns")
            dries = water is not None and self.supply.counts_drought(bed)
            self._dry[key] = (water.sentence(now) or "") if water is not None and dries else ""
        return self._dry[key]

    def planting_h(self, day: date | None, bed: str = "") -> float:
        """Hour of planting: noon of the day, else of the day the bed is free, else of today."""
        if day is not None:
            return hours(noon(day, self.zone))
        place = self.bed(bed)
        if place is not None and place.free_from is not None:
            return hours(instant(place.free_from, self.zone))
        if self.constant_C is not None:
            return 0.0
        return hours(noon(self.today, self.zone))


def season_context(
    season: Season,
    *,
    as_of: datetime | None = None,
    offline: bool = False,
    series: xr.DataArray | None = None,
    weather: xr.Dataset | None = None,
    about: Sequence[datetime] = (),
    air_C: float | None = None,
    size: int = DRAWS,
    seed: int = 0,
) -> Context:
    """Context of a season file, as its records have it.

    Parameters
    ----------
    season, as_of, air_C, size, seed
        As for :class:`Context`.
    offline : bool
        Ask no service.
    series, weather : optional
        Stand in for the season's own soil temperature and weather.
    about : sequence of datetime
        Days that are asked about beside those of the rows (aware).
    """
    today = as_of or datetime.now(UTC)
    recorded = as_recorded(season, today)
    context = Context(
        SeasonSoil(
            recorded.season, today, offline=offline, series=series, weather=weather, about=about
        ),
        zone=season.data.site.zone,
        season=recorded.season,
        counts=recorded.counts,
        as_of=today,
        air_C=air_C,
        size=size,
        seed=seed,
    )
    context.note(*recorded.notes)
    return context
