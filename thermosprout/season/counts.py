"""Counts recorded on the rows of a season, up to today."""

from __future__ import annotations

from datetime import datetime

import numpy as np

from thermosprout.emergence.conditioning import Count
from thermosprout.season.load import Season
from thermosprout.season.schema import hours
from thermosprout.soil.series import hours_since_epoch
from thermosprout.trials.records.read import read_records


def season_counts(season: Season, as_of: datetime) -> dict[str, tuple[Count, ...]]:
    """Inspections of each row, by row id, in the order of time.

    Parameters
    ----------
    season : Season
        Its ``records`` table names the file; plots are the ids of rows.
    as_of : datetime
        Later inspections are left out (aware).
    """
    if season.data.records is None:
        return {}
    path = season.resolve(season.data.records.file, "records", "file")
    if not path.exists():
        return {}
    records = read_records(path, timezone=season.data.site.timezone)
    hour = hours_since_epoch(records["inspected"].to_numpy())
    seen = records.assign(hour=hour)[hour <= hours(as_of)].sort_values("hour")
    return {
        str(plot): tuple(
            Count(hour=float(when), emerged=int(emerged))
            for when, emerged in zip(rows["hour"], rows["emerged"], strict=True)
            if np.isfinite(when)
        )
        for plot, rows in seen.groupby("plot")
    }
