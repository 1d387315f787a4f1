"""What an error of the soil temperature means for the rows of a season, in days."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
import pandas as pd
import xarray as xr

from thermosprout.emergence.centre import half_emergence_h
from thermosprout.season.load import Season
from thermosprout.season.schema import Row, hours, instant
from thermosprout.season.soil import SoilSupply
from thermosprout.soil.check import SeriesCheck, check_series
from thermosprout.soil.site_correction import Correction, correct, sort_out


@dataclass(frozen=True, kw_only=True)
class RowShift:
    """Half emergence of a row under the series as it stands and as the readings correct it.

    Attributes
    ----------
    as_is_h, corrected_h : float
        Hours since 1970-01-01T00:00 UTC, NaN where the series does not reach so far.
    days : float
        Corrected minus as it stands: above zero, the row comes later than the series says. [d]
    """

    row: str
    crop: str
    as_is_h: float
    corrected_h: float

    @property
    def days(self) -> float:
        """Shift in days."""
        return (self.corrected_h - self.as_is_h) / 24.0


@dataclass(frozen=True, kw_only=True)
class SeasonCheck:
    """Check of a season's soil temperature against readings."""

    series: xr.DataArray
    check: SeriesCheck
    correction: Correction
    rows: tuple[RowShift, ...]


def check_season(
    season: Season, readings: pd.DataFrame, *, as_of: datetime, offline: bool = False
) -> SeasonCheck:
    """Compare a season's own source of soil temperature with readings from its beds.

    Readings that the season already names are left out, so that the source itself is judged.
    """
    bare = season.data.model_copy(
        update={"soil": season.data.soil.model_copy(update={"readings_file": None})}
    )
    supply = SoilSupply(replace(season, data=bare), as_of=as_of, offline=offline)
    depth = float(readings["depth_cm"].median())
    series = supply.at(depth)
    kind, readings = sort_out(series, readings, season.data.site.longitude)
    check = check_series(series, readings, kind=kind)
    correction = correct(series, readings, kind=kind)
    return SeasonCheck(
        series=series,
        check=check,
        correction=correction,
        rows=tuple(_shift(season, row, supply, readings, check) for row in season.data.rows),
    )


def _shift(
    season: Season, row: Row, supply: SoilSupply, readings: pd.DataFrame, check: SeriesCheck
) -> RowShift:
    crop = season.row_crop(row)
    depth = row.depth_cm or crop.practice.depth_cm or 2.0
    series = _mean(supply.at(depth, row.cover))
    corrected = correct(series, readings, kind=check.kind).series
    planted = hours(instant(row.planted, season.data.site.zone))
    share = _share(row, crop.estimate.centre())
    return RowShift(
        row=row.id,
        crop=crop.name,
        as_is_h=half_emergence_h(series, crop, planted, depth, share=share),
        corrected_h=half_emergence_h(corrected, crop, planted, depth, share=share),
    )


def _share(row: Row, centre: dict[str, float]) -> float:
    """Part of the thermal time still to go when the row goes into the ground."""
    germination = centre["germination_share"]
    if row.treatment == "presprouted":
        return 1.0 - germination
    if row.treatment == "soaked":
        return 1.0 - germination * centre["imbibition_share"] * centre["soak_credit"]
    return 1.0


def _mean(series: xr.DataArray) -> xr.DataArray:
    """Mean over members, as a series of its own."""
    if "member" not in series.dims:
        return series
    weights = series["member_weight"].values
    out = series.isel(member=0, drop=True)
    out = out.copy(data=np.tensordot(weights, series.values, axes=(0, 0)))
    return out.drop_vars("member_weight", errors="ignore")
