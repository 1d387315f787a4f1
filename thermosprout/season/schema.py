"""What a season file may hold. Units are in the names; the file says everything a row needs."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Annotated, Any, Literal, Self
from zoneinfo import ZoneInfo

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, field_validator, model_validator

from thermosprout.dates import noon, read_zone
from thermosprout.quantities import YEARS

if TYPE_CHECKING:
    import numpy as np

FORMAT = 1
"""Format number that this version writes and reads."""

Share = Annotated[float, Field(gt=0, le=1, allow_inf_nan=False)]
DepthCm = Annotated[float, Field(ge=0.2, le=30, allow_inf_nan=False)]
RoomC = Annotated[float, Field(ge=0, le=40, allow_inf_nan=False)]
Name = Annotated[str, Field(min_length=1, max_length=120)]


def _moment(value: Any) -> Any:
    """Take a day or an instant; refuse text and clock times that could mean several instants."""
    if isinstance(value, datetime) and value.tzinfo is None:
        raise ValueError(
            f"the time {value.isoformat()} has no offset from UTC; write the day alone or add "
            "an offset such as +01:00"
        )
    if isinstance(value, date):
        if value.year not in YEARS:
            raise ValueError(f"the year of {value.isoformat()} cannot be right")
        return value
    if isinstance(value, str):
        raise ValueError(f"{value!r} is text; write the date without quotes, as 2026-04-05")
    raise ValueError(f"expected a date such as 2026-04-05, found {value!r}")


Moment = Annotated[datetime | date, BeforeValidator(_moment)]
"""A local day, or an instant with its offset."""


class _Table(BaseModel):
    """Base of all tables: unknown keys are refused, nothing is coerced, nothing changes later."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


class Site(_Table):
    """Where the beds are."""

    name: Name
    latitude: Annotated[float, Field(ge=-90, le=90)]
    longitude: Annotated[float, Field(ge=-180, le=180)]
    timezone: Name
    elevation_m: Annotated[float, Field(ge=-450, le=6000)] | None = None
    texture: Name = "loam"

    @field_validator("timezone")
    @classmethod
    def _check_zone(cls, value: str) -> str:
        return str(read_zone(value))

    @property
    def zone(self) -> ZoneInfo:
        """Return the time zone everything is shown in."""
        return ZoneInfo(self.timezone)


class Soil(_Table):
    """Where soil temperature comes from: a file, weather, a service, or a file that one continues.

    ``weather_file`` alone drives the soil model; beside a series it gives rain and what covers do.
    ``rainfed`` says that nothing is watered, so that drought counts though no watering is listed.
    """

    file: Name | None = None
    column: Name | None = None
    file_timezone: Name | None = None
    service: Literal["open-meteo", "nasa-power"] | None = None
    base_url: Name | None = None
    depth_cm: DepthCm | None = None
    surface: Literal["bare", "grass", "unknown"] = "unknown"
    weather_file: Name | None = None
    rainfed: bool = False
    past_years_file: Name | None = None
    readings_file: Name | None = None

    @model_validator(mode="after")
    def _some_source(self) -> Self:
        if self.file is None and self.service is None and self.weather_file is None:
            raise ValueError(
                "name a file, a weather_file or a service that soil temperature comes from"
            )
        if self.base_url is not None and self.service is None:
            raise ValueError("base_url belongs to a service; name the service too")
        return self


class Lot(_Table):
    """One seed lot; what its figures say of each other is checked by ``SeedLot``."""

    id: Name
    crop: Name
    variety: Name | None = None
    germination: Share | None = None
    seeds_tested: Annotated[int, Field(gt=0, le=100_000)] | None = None
    seeds_germinated: Annotated[int, Field(ge=0, le=100_000)] | None = None
    tested_on: date | None = None
    year: Annotated[int, Field(ge=1950, le=2200)] | None = None
    storage: Literal["kitchen drawer", "cool cellar", "fridge with desiccant"] | None = None
    storage_C: Annotated[float, Field(ge=-25, le=50)] | None = None
    moisture_pct: Annotated[float, Field(ge=2, le=25)] | None = None
    slower_pct: Annotated[float, Field(ge=-60, le=300)] | None = None
    dressed: bool = False
    season: Literal["cool", "warm"] | None = None
    seed_size: Literal["small", "medium", "large"] | None = None
    note: str = ""


class Bed(_Table):
    """One bed and when it is free."""

    id: Name
    length_m: Annotated[float, Field(gt=0, le=1000)] | None = None
    width_m: Annotated[float, Field(gt=0, le=100)] | None = None
    free_from: Moment | None = None
    free_until: Moment | None = None
    cover: Name | None = None


ROW = "row"
"""Name of a row that is asked about by itself and stands in no file."""


class Row(_Table):
    """One row in the ground, or planned."""

    id: Name
    crop: Name | None = None
    variety: Name | None = None
    lot: Name | None = None
    bed: Name | None = None
    treatment: Literal["direct", "soaked", "presprouted"] = "direct"
    started: Moment | None = None
    planted: Moment
    depth_cm: DepthCm | None = None
    stations: Annotated[int, Field(gt=0, le=1_000_000)] | None = None
    seeds_per_station: Annotated[int, Field(gt=0, le=1000)] = 1
    seeds_planted: Annotated[int, Field(gt=0, le=10_000_000)] | None = None
    seeds_started: Annotated[int, Field(gt=0, le=10_000_000)] | None = None
    soak_h: Annotated[float, Field(gt=0, le=240)] | None = None
    water_C: RoomC | None = None
    sprout_h: Annotated[float, Field(gt=0, le=2400)] | None = None
    room_C: RoomC | None = None
    radicle_mm: Annotated[float, Field(ge=0, le=100)] | None = None
    sorted: bool = False
    dry_bed: bool = False
    cover: Name | None = None
    note: str = ""

    @property
    def seeds(self) -> int:
        """Seeds in the ground."""
        if self.seeds_planted is not None:
            return self.seeds_planted
        return (self.stations or 100) * self.seeds_per_station

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.crop is None and self.lot is None:
            raise ValueError("a row names its crop or its lot")
        soak = {"soak_h": self.soak_h, "water_C": self.water_C}
        sprout = {
            "sprout_h": self.sprout_h,
            "room_C": self.room_C,
            "radicle_mm": self.radicle_mm,
            "sorted": self.sorted or None,
        }
        not_meant = {"direct": soak | sprout, "soaked": sprout, "presprouted": soak}
        for key, value in not_meant[self.treatment].items():
            if value is not None:
                raise ValueError(f"{key} does not belong to a row that is {self.treatment}")
        if self.started is None and self.soak_h is None and self.treatment == "soaked":
            raise ValueError("a soaked row needs soak_h or started")
        lengths = (self.started, self.sprout_h, self.radicle_mm)
        if self.treatment == "presprouted" and lengths == (None, None, None):
            raise ValueError("a presprouted row needs sprout_h, started or radicle_mm")
        in_stations = (self.stations or 0) * self.seeds_per_station
        if self.seeds_planted and self.stations and self.seeds_planted != in_stations:
            raise ValueError(
                f"{self.stations} stations of {self.seeds_per_station} are not "
                f"{self.seeds_planted} seeds; give one or the other"
            )
        if self.seeds_started is not None and self.seeds_started < self.seeds:
            raise ValueError(f"{self.seeds_started} seeds started cannot give {self.seeds} planted")
        return self


class Watering(_Table):
    """Water given to the beds."""

    on: Moment
    mm: Annotated[float, Field(gt=0, le=300)]
    bed: Name | None = None


class Records(_Table):
    """Where counts of emerged seedlings are kept; plots are rows of this season."""

    file: Name


class Minutes(_Table):
    """Minutes of work per row for each treatment, for weighing it against days gained."""

    direct: Annotated[float, Field(ge=0, le=10_000)] = 10.0
    soaked: Annotated[float, Field(ge=0, le=10_000)] = 15.0
    presprouted: Annotated[float, Field(ge=0, le=10_000)] = 45.0


class SeasonFile(_Table):
    """The whole file."""

    format: Literal[1]
    title: Name | None = None
    site: Site
    soil: Soil
    lots: tuple[Lot, ...] = ()
    beds: tuple[Bed, ...] = ()
    rows: tuple[Row, ...] = ()
    watering: tuple[Watering, ...] = ()
    records: Records | None = None
    minutes: Minutes = Minutes()
    estimates_folder: Name | None = None

    @field_validator("lots", "beds", "rows", "watering", mode="before")
    @classmethod
    def _tables(cls, value: Any) -> Any:
        return tuple(value) if isinstance(value, list) else value


def instant(moment: datetime | date, zone: ZoneInfo) -> datetime:
    """UTC instant of a moment; a day alone stands for its local noon."""
    return moment.astimezone(UTC) if isinstance(moment, datetime) else noon(moment, zone)


def local_day(moment: datetime | date, zone: ZoneInfo) -> date:
    """Local day of a moment."""
    return moment.astimezone(zone).date() if isinstance(moment, datetime) else moment


def hours(moment: datetime) -> float:
    """Hours of an aware instant since 1970-01-01T00:00 UTC."""
    return (moment - datetime(1970, 1, 1, tzinfo=UTC)) / timedelta(hours=1)


def local(hour: float, zone: ZoneInfo) -> datetime:
    """Local time of an hour since 1970-01-01T00:00 UTC, to the minute."""
    when = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(minutes=round(hour * 60))
    return when.astimezone(zone)


Document = dict[str, Any]
Odds = dict[str, float | None]

_NO_DATE_H = 2e6
"""Hours since 1970 past which nothing is a date any more (the year 2198)."""


def rounded(values: Mapping[str, float], places: int = 2) -> Odds:
    """Odds as they are printed; what is not finite is None."""
    return {
        name: round(float(value), places) if math.isfinite(value) else None
        for name, value in values.items()
    }


def stamp(hour: float, zone: ZoneInfo | None) -> str | None:
    """Hour as a local instant; None where there is no calendar or no date."""
    if zone is None or not abs(hour) < _NO_DATE_H:
        return None
    return local(hour, zone).isoformat()


def stamps(values: Mapping[str, float], zone: ZoneInfo | None) -> dict[str, str | None] | None:
    """Hours as local instants; None where there is no calendar."""
    if zone is None:
        return None
    return {name: stamp(value, zone) for name, value in values.items()}


def utc_stamp(hour: float) -> np.datetime64:
    """Hour since 1970-01-01T00:00 UTC as numpy has it, to the minute; NaT where it is none."""
    import numpy as np

    if not math.isfinite(hour):
        return np.datetime64("NaT", "ns")
    stamp: np.datetime64 = np.datetime64(round(hour * 60), "m").astype("datetime64[ns]")
    return stamp


def day_stamp(instant: np.datetime64 | None, zone: ZoneInfo) -> str | None:
    """Local date of a UTC instant; None where there is none."""
    if instant is None or instant != instant:
        return None
    moment: datetime = instant.astype("datetime64[s]").item()
    return moment.replace(tzinfo=UTC).astimezone(zone).date().isoformat()
