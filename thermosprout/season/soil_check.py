"""What an error of the soil temperature means for the rows of a season, in days."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import xarray as xr

from thermosprout.emergence.forecast import DRAWS
from thermosprout.errors import CoverageError
from thermosprout.season.context import Context, season_context
from thermosprout.season.forecast import forecast_of
from thermosprout.season.load import Season
from thermosprout.season.schema import Row, local
from thermosprout.soil.site_correction import Correction
from thermosprout.soil.site_readings import ReadingsComparison, compare_readings


@dataclass(frozen=True, kw_only=True)
class RowShift:
    """Half emergence of a row under the series as it stands and as the readings correct it.

    Attributes
    ----------
    crop, called : str
        Name in the catalogue, and in the grower's own word.
    as_is_h, corrected_h : float
        Hours since 1970-01-01T00:00 UTC, NaN where the series does not reach so far.
    sd_days : float
        What one standard deviation of the site, as the readings leave it, moves the row by; NaN
        where that lies past the series. [d]
    days : float
        Corrected minus as it stands: above zero, the row comes later than the series says. [d]
    """

    row: str
    crop: str
    called: str
    as_is_h: float
    corrected_h: float
    sd_days: float

    @property
    def days(self) -> float:
        """Shift in days."""
        return (self.corrected_h - self.as_is_h) / 24.0

    def to_dict(self, zone: ZoneInfo) -> dict[str, Any]:
        """Return the row of the JSON document, times in a zone."""

        def when(hour: float) -> str | None:
            return local(hour, zone).isoformat(timespec="minutes") if np.isfinite(hour) else None

        def days(value: float) -> float | None:
            return round(value, 2) if np.isfinite(value) else None

        return {
            "row": self.row,
            "crop": self.crop,
            "called": self.called,
            "half_as_is": when(self.as_is_h),
            "half_corrected": when(self.corrected_h),
            "days": days(self.days),
            "sd_days": days(self.sd_days),
        }


@dataclass(frozen=True, kw_only=True)
class SeasonCheck:
    """Check of a season's soil temperature against readings."""

    series: xr.DataArray
    check: ReadingsComparison
    correction: Correction
    rows: tuple[RowShift, ...]


def check_season(
    season: Season,
    readings: pd.DataFrame,
    *,
    as_of: datetime,
    offline: bool = False,
    size: int = DRAWS,
    seed: int = 0,
) -> SeasonCheck:
    """Compare a season's own source of soil temperature with readings from its beds.

    Readings that the season already names are left out, so that the source itself is judged; a
    row's days are those of its forecast before any count.
    """
    soil = season.data.soil.model_copy(update={"readings_file": None})
    bare = replace(season, data=season.data.model_copy(update={"soil": soil}))
    options: dict[str, Any] = {"as_of": as_of, "offline": offline, "size": size, "seed": seed}
    stands = season_context(bare, **options)
    source = stands.supply
    correction = source.corrected(readings, season.data.site.longitude)
    corrected = correction.series
    spread = correction.weeks_sd_K
    better, warmer, colder = (
        season_context(bare, series=(corrected + shift).assign_attrs(corrected.attrs), **options)
        for shift in (0.0, spread, -spread)
    )
    series = source.at(float(readings["depth_cm"].median()))
    kind = correction.kind
    return SeasonCheck(
        series=series,
        check=compare_readings(series, readings, kind=kind),
        correction=correction,
        rows=tuple(
            RowShift(
                row=row.id,
                crop=season.row_crop(row).name,
                called=season.row_crop(row).common_name,
                as_is_h=_half_h(stands, row),
                corrected_h=_half_h(better, row),
                sd_days=(_half_h(colder, row) - _half_h(warmer, row)) / 48.0,
            )
            for row in season.data.rows
        ),
    )


def _half_h(context: Context, row: Row) -> float:
    """Most likely hour of half emergence, NaN past the series."""
    try:
        half = forecast_of(context, row).stage_quantile("half", [0.5])[0]
    except CoverageError:
        return float("nan")
    return float(half) if np.isfinite(half) else float("nan")
