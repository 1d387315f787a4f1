"""Which plots of a records file are of the crop that is calibrated."""

from __future__ import annotations

import pandas as pd

from thermosprout.crops.crop import Crop
from thermosprout.errors import InputError
from thermosprout.season.load import Season


def of_crop(
    records: pd.DataFrame, crop: Crop, season: Season
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Records without the rows of a season that are of other crops.

    Parameters
    ----------
    records : pandas.DataFrame
        As :func:`thermosprout.trials.records.read_records` returns; plots are ids of rows.
    crop : Crop
        The one that is calibrated.
    season : Season
        Whose rows say what grows in a plot; a plot that is no row of it is kept.

    Returns
    -------
    records : pandas.DataFrame
    notes : tuple of str
        What was left out.

    Raises
    ------
    InputError
        When nothing is left.
    """
    grown = {row.id: season.row_crop(row).name for row in season.data.rows}
    others = {plot: name for plot, name in grown.items() if name != crop.name}
    plots = records["plot"].astype(str)
    there = [plot for plot in dict.fromkeys(plots) if plot in others]
    kept = records[~plots.isin(others)]
    if kept.empty:
        raise InputError(
            f"no plot of the records is {crop.name} by {season.path.name}",
            hint=f"they are {', '.join(sorted({others[plot] for plot in there}))}",
        )
    if not there:
        return records, ()
    listed = ", ".join(f"{plot} ({others[plot]})" for plot in there)
    return kept, (f"Left out, of another crop by {season.path.name}: {listed}.",)


def mixed_lots_note(records: pd.DataFrame, crop: Crop) -> str | None:
    """Say that plots of several seed lots are all taken as one crop, which records do not name."""
    lots = sorted({str(lot) for lot in records["seed_lot"].dropna() if str(lot)})
    if len(lots) < 2:
        return None
    return (
        f"the records hold the seed lots {', '.join(lots)} and do not name a crop: all are taken "
        f"as {crop.name}; --season-file SEASON.toml leaves out rows of other crops"
    )
