"""Where a plan's crop, lot, bed and temperatures come from: a season file, a series, a constant."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo, available_timezones

import numpy as np
import numpy.typing as npt
import xarray as xr

from thermosprout.crops.catalogue import find_crop
from thermosprout.crops.crop import Crop
from thermosprout.crops.saved_estimates import best_estimate
from thermosprout.crops.seed_lots import SeedLot, ln_time_shift_draws, viability_draws
from thermosprout.emergence.forecast import DRAWS, CropDraws, clock_for, generator
from thermosprout.emergence.treatments import Treatment
from thermosprout.errors import InputError
from thermosprout.planning.harvest import ConstantGrowth, Growth, GrowthClock, HarvestNeed
from thermosprout.planning.options import MINUTES
from thermosprout.planning.setting import Setting
from thermosprout.season.file_notes import undated_test
from thermosprout.season.load import Season, load_season
from thermosprout.season.row_notes import depth_notes
from thermosprout.season.schema import Bed, hours, instant, local
from thermosprout.season.soil import SoilSupply, describe
from thermosprout.soil.bridging import read_bridged
from thermosprout.soil.depth import to_depth
from thermosprout.soil.model import soil_temperature
from thermosprout.soil.readers.station_csv import read_weather_csv
from thermosprout.soil.surfaces import cover_named

FloatArray = npt.NDArray[np.float64]

USUAL_DEPTH_CM = 2.0
NOON = time(12)


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What the user named; everything not named is None, empty or the season's.

    Attributes
    ----------
    season, soil, weather : Path or None
        A season file, a soil temperature series, a weather table.
    constant_C, air_C : float or None
        Constant soil and air temperature. [degC]
    crop, lot, bed : str
        Names; a lot or a crop must be found.
    germination, seeds_tested : float, int or None
        Of the lot, where there is no season file.
    surface, cover : str
        Ground for a soil temperature modelled from weather.
    """

    season: Path | None = None
    soil: Path | None = None
    weather: Path | None = None
    constant_C: float | None = None
    air_C: float | None = None
    crop: str = ""
    lot: str = ""
    bed: str = ""
    depth_cm: float | None = None
    germination: float | None = None
    seeds_tested: int | None = None
    latitude: float | None = None
    longitude: float | None = None
    timezone: str = ""
    surface: str = "bare"
    cover: str = ""
    as_of: datetime | None = None
    offline: bool = False
    size: int = DRAWS
    seed: int = 0


@dataclass
class Sources:
    """Opens what was asked for, each file once.

    Attributes
    ----------
    asked : Asked
        What the user named.
    notes : list of str
        How files were read and what stands in for what, for the reader.
    """

    asked: Asked
    notes: list[str] = field(default_factory=list)
    season: Season | None = None
    _weather: xr.Dataset | None = None
    _supply: SoilSupply | None = None

    def __post_init__(self) -> None:
        asked = self.asked
        if asked.season is not None:
            self.season = load_season(asked.season)
        self._check_zone()
        given = [asked.season, asked.soil, asked.weather, asked.constant_C]
        if all(source is None for source in given):
            raise InputError(
                "no temperature was named",
                hint="give a season file, --soil SOIL.csv, --weather WEATHER.csv or --constant C",
            )
        if asked.constant_C is not None and not -5 <= asked.constant_C <= 60:
            raise InputError(f"{asked.constant_C:g} °C is no soil temperature, expected -5 to 60")

    @property
    def zone(self) -> ZoneInfo:
        """Time zone that days are meant and shown in."""
        if self.season is not None:
            return self.season.data.site.zone
        return ZoneInfo(self.asked.timezone or "UTC")

    def _check_zone(self) -> None:
        name = self.asked.timezone
        if name and name not in available_timezones():
            raise InputError(f"{name!r} is not a time zone of the IANA list, such as Europe/Dublin")

    @property
    def _file_zone(self) -> str | None:
        """Zone of a table whose times carry none."""
        if self.asked.timezone:
            return self.asked.timezone
        return self.season.data.site.timezone if self.season is not None else None

    @property
    def now(self) -> datetime:
        """Today, as the plan sees it."""
        return self.asked.as_of or datetime.now(UTC)

    @property
    def minutes(self) -> dict[Treatment, float]:
        """Minutes of work per row by treatment."""
        if self.season is None:
            return dict(MINUTES)
        said = self.season.data.minutes
        return {
            Treatment.DIRECT: said.direct,
            Treatment.SOAKED: said.soaked,
            Treatment.PRESPROUTED: said.presprouted,
        }

    def bed(self) -> Bed | None:
        """Bed of the season that was named."""
        if not self.asked.bed or self.season is None:
            return None
        for bed in self.season.data.beds:
            if bed.id == self.asked.bed:
                return bed
        names = ", ".join(bed.id for bed in self.season.data.beds) or "none"
        raise InputError(f"the season has no bed {self.asked.bed!r}; its beds: {names}")

    def lot(self) -> SeedLot | None:
        """Seed lot that was named, of the season or made from the options."""
        asked = self.asked
        if asked.lot:
            if self.season is None or asked.lot not in self.season.seed_lots:
                known = ", ".join(self.season.seed_lots) if self.season else "none"
                raise InputError(f"there is no seed lot {asked.lot!r}; known lots: {known}")
            found = self.season.seed_lots[asked.lot]
            undated = undated_test(found, self.now)
            self._say([undated] if undated else [])
            return found
        if asked.germination is None:
            return None
        counts = asked.seeds_tested
        return SeedLot(
            id="as given",
            crop=asked.crop,
            germination=asked.germination,
            seeds_tested=counts,
            seeds_germinated=None if counts is None else round(asked.germination * counts),
        )

    def crop(self, name: str = "") -> Crop:
        """Crop that was named, or the lot's, with a saved estimate if the season keeps them."""
        lot = self.lot()
        wanted = name or self.asked.crop or (lot.crop if lot else "")
        if not wanted:
            raise InputError("no crop was named", hint="add --crop carrot, or --lot of the season")
        crop = self._known(wanted)
        if lot is not None and self.asked.lot and not name:
            lot_crop = self._known(lot.crop)
            if lot_crop.name != crop.name:
                raise InputError(f"lot {lot.id} is {lot_crop.name}, not {crop.name}")
        if self.season is not None and self.season.data.estimates_folder is not None:
            folder = self.season.resolve(self.season.data.estimates_folder, "estimates_folder")
            estimate = best_estimate(
                crop, lot.variety if lot else None, self.asked.lot or None, folder
            )
            crop = replace(crop, estimate=estimate)
        return crop

    def _known(self, name: str) -> Crop:
        """Crop of the season by the name used there, or of the catalogue by any of its names."""
        for typed, crop in (self.season.crops if self.season is not None else {}).items():
            if name in (typed, crop.name):
                return crop
        return find_crop(name)

    def depth_cm(self, crop: Crop) -> float:
        """Sowing depth: as asked, as usual for the crop, or a plain 2 cm."""
        asked = self.asked.depth_cm
        depth = (crop.practice.depth_cm or USUAL_DEPTH_CM) if asked is None else asked
        if not 0.2 <= depth <= 30:
            raise InputError(f"a depth of {depth:g} cm was asked for, expected 0.2 to 30 cm")
        self._say(depth_notes(crop, depth))
        return depth

    def _say(self, notes: Iterable[str]) -> None:
        self.notes.extend(note for note in notes if note not in self.notes)

    def supply(self) -> SoilSupply | None:
        """Soil temperature, water and weather of the season file, where there is one."""
        if self._supply is None and self.season is not None:
            asked = self.asked
            self._supply = SoilSupply(season=self.season, as_of=self.now, offline=asked.offline)
        return self._supply

    def weather(self) -> xr.Dataset | None:
        """Hourly weather of the table that was named, else of the season's own."""
        if self.asked.weather is None:
            supply = self.supply()
            found = supply.weather() if supply is not None else None
            self._gather_notes()
            return found
        if self._weather is None:
            latitude, longitude = self._place()
            self._weather, reading = read_weather_csv(
                self.asked.weather,
                latitude=latitude,
                longitude=longitude,
                timezone=self._file_zone,
            )
            self.notes.extend(reading.sentences())
        return self._weather

    def _gather_notes(self) -> None:
        if self._supply is not None:
            self.notes.extend(note for note in self._supply.notes if note not in self.notes)

    def _place(self) -> tuple[float, float]:
        if self.season is not None:
            site = self.season.data.site
            return site.latitude, site.longitude
        if self.asked.latitude is None or self.asked.longitude is None:
            raise InputError("a weather table needs its place", hint="add --lat and --lon")
        return self.asked.latitude, self.asked.longitude

    def cover(self) -> str:
        """Cover that was named, else the bed's; "none" for the open bed."""
        bed = self.bed()
        named = self.asked.cover or (bed.cover if bed is not None else None)
        return cover_named(named).name

    def soil(self, depth_cm: float, cover: str = "") -> xr.DataArray:
        """Hourly soil temperature at seed depth; a cover needs weather to be modelled from."""
        asked = self.asked
        lid = cover_named(cover or self.cover())
        supply = self.supply()
        if asked.soil is None and supply is not None and not self._needs_model(lid.name):
            series = supply.at(depth_cm, lid.name)
            self._gather_notes()
            return series
        weather = self.weather()
        if weather is not None and (lid.name != "none" or asked.soil is None):
            return soil_temperature(
                weather,
                depth_cm=min(max(depth_cm, 0.5), 30.0),
                surface="grass" if asked.surface == "grass" else "bare",
                cover=lid,
            )
        if lid.name != "none":
            raise InputError(
                f"what {lid.name} does is modelled from weather, and no weather was named",
                hint="add --weather WEATHER.csv with --lat and --lon, or leave the cover out",
            )
        if asked.soil is None:
            raise InputError("no soil temperature was named", hint="add --soil or --weather")
        series, said = read_bridged(asked.soil, timezone=self._file_zone)
        self.notes.extend(said)
        return to_depth(series, depth_cm) if np.isfinite(float(series["depth"])) else series

    def _needs_model(self, cover: str) -> bool:
        """Tell whether a cover can only come from a weather table that was named."""
        return cover != "none" and self.asked.weather is not None

    def air(self) -> xr.DataArray | None:
        """Hourly air temperature, where weather is known."""
        weather = self.weather()
        if weather is None:
            return None
        air: xr.DataArray = weather["air_temperature"]
        return air

    def lot_draws(
        self, crop: Crop, size: int, on: date | None = None
    ) -> tuple[FloatArray, FloatArray]:
        """Viability and shift of ln thermal time; a lot not named is one of the crop's usual.

        Parameters
        ----------
        on : date, optional
            Day of sowing, up to which the lot ages; today when absent.
        """
        lot = self.lot() or SeedLot(id="usual", crop=crop.name)
        rng = generator(self.asked.seed, "lot", crop.name, lot.id)
        day = (on or self.now.date()) if self.asked.lot else None
        return (
            viability_draws(lot, crop, size, rng, day),
            ln_time_shift_draws(lot, crop, size, rng, day),
        )

    def setting(self, on: date | None = None) -> tuple[Setting, str]:
        """Setting of the plan, and the soil temperature it stands on, in words.

        Parameters
        ----------
        on : date, optional
            Day of sowing, up to which the lot ages.
        """
        asked = self.asked
        crop = self.crop()
        depth = self.depth_cm(crop)
        size, seed = asked.size, asked.seed
        viability, ln_shift = self.lot_draws(crop, size, on)
        lot = self.lot()
        dressed = lot is not None and lot.dressed
        if asked.constant_C is not None:
            setting = Setting.constant(
                crop,
                asked.constant_C,
                depth_cm=depth,
                air_C=asked.air_C,
                viability=viability,
                ln_shift=ln_shift,
                size=size,
                seed=seed,
            )
            return replace(setting, dressed=dressed), f"constant {asked.constant_C:g} °C"
        series = self.soil(depth)
        draws = CropDraws.of(crop, size, seed)
        need = HarvestNeed.of(crop, size, seed)
        setting = Setting(
            draws=draws,
            clock=clock_for(draws, series, seed=seed),
            viability=viability,
            ln_shift=ln_shift,
            depth_cm=depth,
            need=need,
            growth=self.growth(need, series),
            dressed=dressed,
            seed=seed,
        )
        return setting, describe(series)

    def growth(self, need: HarvestNeed, soil: xr.DataArray) -> Growth:
        """Temperature that growth after emergence runs on."""
        if self.asked.air_C is not None:
            return ConstantGrowth(
                temperature_C=self.asked.air_C,
                cardinals_C=need.cardinals_C,
                source=f"constant air temperature of {self.asked.air_C:g} °C",
            )
        air = self.air()
        if air is not None:
            return GrowthClock.of(air, need)
        self.notes.append(
            "Air temperature is not known: growth to first harvest runs on soil temperature."
        )
        return GrowthClock.of(soil, need, source="soil temperature, for want of air temperature")

    def planting_day(self, text: str) -> date | None:
        """Local day of planting; None at a constant temperature, without a calendar."""
        hour = self.planting_h(text)
        return local(hour, self.zone).date() if hour else None

    def planting_h(self, text: str) -> float:
        """Hour of planting: the day named, else the day the bed is free, else today's noon."""
        if text:
            return day_hour(text, self.zone)
        bed = self.bed()
        if bed is not None and bed.free_from is not None:
            return hours(instant(bed.free_from, self.zone))
        if self.asked.constant_C is not None:
            return 0.0
        today = self.now.astimezone(self.zone).date()
        return hours(datetime.combine(today, NOON, tzinfo=self.zone))


def day_hour(text: str, zone: ZoneInfo) -> float:
    """Hour of local noon of a day written as 2026-05-01.

    Raises
    ------
    InputError
        When the text is no day.
    """
    try:
        day = date.fromisoformat(text)
    except ValueError:
        raise InputError(f"{text!r} is no day; write it as 2026-05-01") from None
    return hours(datetime.combine(day, NOON, tzinfo=zone))


def days_between(text: str, zone: ZoneInfo) -> tuple[float, float]:
    """Hours of the noons of a day, or of the first and last of ``2026-05-01/2026-05-08``.

    Raises
    ------
    InputError
        When the text is neither.
    """
    first, _, last = text.partition("/")
    start = day_hour(first, zone)
    end = day_hour(last, zone) if last else start
    if end < start:
        raise InputError(f"{text!r} runs backwards")
    return start, end


def season_days(first: str, last: str, today: date) -> tuple[date, date]:
    """Days of a window: as named, else from today for a year less a day.

    Raises
    ------
    InputError
        When a text is no day.
    """

    def day(text: str) -> date:
        try:
            return date.fromisoformat(text)
        except ValueError:
            raise InputError(f"{text!r} is no day; write it as 2026-05-01") from None

    begin = day(first) if first else today
    return begin, day(last) if last else begin + timedelta(days=364)


def known_covers(names: Sequence[str]) -> tuple[str, ...]:
    """Names of covers as the model knows them, without doubles."""
    return tuple(dict.fromkeys(cover_named(name).name for name in names))
