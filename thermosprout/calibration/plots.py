"""The plots of a fit: from records, and from field books that hold only dates of emergence.

``gather_plots`` is what the command and the library both call; the rest says which plots are of the
crop, how alive their seed is, and when half of their seedlings had come.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, time, tzinfo
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from thermosprout.crops.crop import Crop
from thermosprout.crops.seed_lots import SeedLot, viability_prior
from thermosprout.emergence.count_likelihood import increments
from thermosprout.emergence.treatments import Handling, Treatment
from thermosprout.errors import InputError, Place
from thermosprout.files import read_text
from thermosprout.quantities import TABLE_DEPTH_CM, FloatArray
from thermosprout.season.load import Season
from thermosprout.soil.series import hours_since_epoch
from thermosprout.trials.records.file import parse_table
from thermosprout.trials.records.read import same_plots
from thermosprout.trials.records.values import Moment, read_moment, zone

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, kw_only=True)
class Plot:
    """One plot, row, pot or dish; hours count from 1970-01-01T00:00 UTC.

    Attributes
    ----------
    treatment : str
        Label of the records; those the model does not know get an effect of their own.
    hours, new : ndarray, shape (inspection,)
        Inspections after planting and the seedlings new at each. [h]
    constant_C : float or None
        Temperature of a dish or pot that was held constant; else the plot has a soil series.
        [degC]
    dish : bool
        Germination was counted, not emergence from a depth.
    noted_h : tuple of float or None
        Hours between which a single date of emergence lies, where nothing was counted. [h]
    viability, viability_sd : float
        Share of live seed in the lot, and how unsure its logit is; zero where it is exact.
    seeds_started : int or None
        Seeds wetted for a pre-sprouted plot; None where no more than were planted, so that
        nothing is known of those that did not sprout.
    """

    name: str
    treatment: str = Treatment.DIRECT.value
    handling: Handling = field(default_factory=Handling)
    planted_h: float
    depth_cm: float
    seeds: int
    hours: FloatArray = field(default_factory=lambda: np.zeros(0))
    new: FloatArray = field(default_factory=lambda: np.zeros(0))
    constant_C: float | None = None
    dish: bool = False
    noted_h: tuple[float, float] | None = None
    variety: str | None = None
    seed_lot: str | None = None
    block: str | None = None
    viability: float = 1.0
    viability_sd: float = 0.0
    seeds_started: int | None = None

    def informative_looks(self) -> tuple[FloatArray, FloatArray]:
        """Inspections that matter to a likelihood, and the seedlings new at each.

        Where nothing came between three looks, the one in the middle tells nothing more.
        """
        keep = (self.new > 0) | (np.append(self.new[1:], 1.0) > 0)
        return self.hours[keep], self.new[keep]

    @property
    def emerged(self) -> int:
        """Seedlings at the last inspection."""
        return int(self.new.sum())

    @property
    def last_h(self) -> float:
        """Hour after which nothing was looked at."""
        if self.noted_h is not None:
            return self.noted_h[1]
        return float(self.hours[-1])

    @property
    def treatment_in_model(self) -> bool:
        """Whether the label carries its meaning to the model."""
        return self.treatment in set(Treatment)


def plots_of_records(records: pd.DataFrame, crop: Crop) -> tuple[Plot, ...]:
    """Plots from a table of records, their seed taken as alive; see :func:`with_viability`.

    Parameters
    ----------
    records : pandas.DataFrame
        As :func:`thermosprout.trials.records.read.read_records` returns.
    crop : Crop
        For the depth of plots that have none.

    Raises
    ------
    InputError
        When nothing was inspected after planting, or a soak or sprouting has no length.
    """
    counted = records[records["inspected"].notna()]
    plots = [
        _plot(str(name), rows.sort_values("inspected"), crop)
        for name, rows in counted.groupby("plot", sort=False)
    ]
    rest = tuple(plot for plot in plots if plot is not None)
    if not rest:
        raise InputError(
            "the records hold no inspection after planting", hint="record counts first"
        )
    return rest


def _plot(name: str, rows: pd.DataFrame, crop: Crop) -> Plot | None:
    first = rows.iloc[0]
    planted = float(hours_since_epoch([first["planted"].to_datetime64()])[0])
    started = float(hours_since_epoch([first["started"].to_datetime64()])[0])
    hours = hours_since_epoch(rows["inspected"].to_numpy())
    after = hours > planted
    if not after.any():
        return None
    emerged = rows["emerged"].to_numpy(dtype=float)
    if (emerged[~after] > 0).any():
        raise InputError(f"plot {name}: seedlings are recorded before it was planted")
    seeds = int(first["seeds_planted"])
    constant = _number(first, "temperature_C")
    depth = _number(first, "depth_cm")
    dish = constant is not None and not depth
    treatment = str(first["treatment"])
    sprouted, wetted = treatment == Treatment.PRESPROUTED, _number(first, "seeds_started")
    if dish:
        depth = TABLE_DEPTH_CM
    elif depth is None:
        depth = crop.usual_depth_cm
    return Plot(
        name=name,
        treatment=treatment,
        handling=handling_of(name, treatment, planted - started),
        planted_h=planted,
        depth_cm=depth,
        seeds=seeds,
        hours=hours[after],
        new=increments(emerged[after], seeds),
        constant_C=constant,
        dish=dish,
        variety=_text(first, "variety"),
        seed_lot=_text(first, "seed_lot"),
        block=_text(first, "block"),
        # Where no more were started than planted, nothing is known of those that did not sprout.
        seeds_started=int(wetted) if sprouted and wetted and wetted > seeds else None,
    )


def handling_of(name: str, treatment: str, lead_h: float) -> Handling:
    """What the model makes of a label and the time between the first water and planting.

    Raises
    ------
    InputError
        When a soaked or pre-sprouted plot was started the moment it was planted.
    """
    if treatment not in (Treatment.SOAKED, Treatment.PRESPROUTED):
        return Handling()
    if lead_h <= 0:
        raise InputError(
            f"plot {name} is {treatment} but was started when it was planted",
            hint="started is when the seed first met water",
        )
    if treatment == Treatment.SOAKED:
        return Handling(treatment=Treatment.SOAKED, soak_h=lead_h)
    return Handling(treatment=Treatment.PRESPROUTED, sprout_h=lead_h)


def digest_of(plots: Sequence[Plot]) -> str:
    """SHA-256 of what a fit sees of the plots."""
    lines = sorted(
        f"{p.name}|{p.variety}|{p.seed_lot}|{p.treatment}|{p.planted_h:.3f}|{p.depth_cm:g}|"
        f"{p.seeds}|{p.constant_C}|{p.noted_h}|{p.hours.tolist()}|{p.new.tolist()}"
        + ("" if p.seeds_started is None else f"|{p.seeds_started}")
        for p in plots
    )
    return sha256("\n".join(lines).encode()).hexdigest()


def _number(row: pd.Series, column: str) -> float | None:
    value = row.get(column)
    return None if value is None or np.isnan(float(value)) else float(value)


def _text(row: pd.Series, column: str) -> str | None:
    value = row.get(column)
    return str(value).strip() or None if isinstance(value, str) else None


def of_crop(
    records: pd.DataFrame, crop: Crop, season: Season
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Records without the rows of a season that are of other crops, and what was left out.

    Parameters
    ----------
    records : pandas.DataFrame
        As :func:`thermosprout.trials.records.read.read_records` returns; plots are ids of rows.
    crop : Crop
        The one that is calibrated.
    season : Season
        Whose rows say what grows in a plot; a plot that is no row of it is kept.

    Raises
    ------
    InputError
        When nothing is left.
    """
    crop_of = {row.id: season.row_crop(row).name for row in season.data.rows}
    others = {plot: name for plot, name in crop_of.items() if name != crop.name}
    plots = records["plot"].astype(str)
    there = [plot for plot in dict.fromkeys(plots) if plot in others]
    rest = records[~plots.isin(others)]
    if rest.empty:
        raise InputError(
            f"no plot of the records is {crop.name} by {season.path.name}",
            hint=f"they are {', '.join(sorted({others[plot] for plot in there}))}",
        )
    if not there:
        return records, ()
    names = ", ".join(f"{plot} ({others[plot]})" for plot in there)
    return rest, (f"Left out, of another crop by {season.path.name}: {names}.",)


def with_viability(
    plots: Sequence[Plot], crop: Crop, lots: Mapping[str, SeedLot] | None = None
) -> tuple[Plot, ...]:
    """Plots with what is known of the viability of their seed, and how surely.

    Parameters
    ----------
    lots : mapping of str to SeedLot, optional
        By name of plot or of seed lot; a usual lot of the crop stands for those not named.
    """
    lots = lots or {}
    priors = [
        viability_prior(crop.name, lots.get(plot.name) or lots.get(plot.seed_lot or ""))
        for plot in plots
    ]
    return tuple(
        replace(plot, viability=viability, viability_sd=sd)
        for plot, (viability, sd) in zip(plots, priors, strict=True)
    )


@dataclass(frozen=True, kw_only=True)
class Gathered:
    """Plots of all records of a calibration, with notes and warnings for the reader.

    Attributes
    ----------
    notes : tuple of str
        How records were read and which plots were left out.
    warnings : tuple of str
        What belongs beside the answer.
    """

    plots: tuple[Plot, ...]
    notes: tuple[str, ...]
    warnings: tuple[str, ...]


def gather_plots(
    sources: Sequence[tuple[str, pd.DataFrame | tuple[Plot, ...]]],
    crop: Crop,
    *,
    variety: str | None = None,
    lot: str | None = None,
    germination: float | None = None,
    season: Season | None = None,
) -> Gathered:
    """Plots of several records, with what is known of their seed.

    Parameters
    ----------
    sources : sequence of (str, DataFrame or tuple of Plot)
        Name of each, such as its file, and its records, or the plots of a file of dates.
    variety, lot : str, optional
        Where the records name none.
    germination : float, optional
        Share of live seed of all plots.
    season : Season, optional
        Its rows say which plots are of the crop, and of which lot.

    Raises
    ------
    InputError
        When two records hold the same counts, which would count twice.
    """
    plots: list[Plot] = []
    notes: list[str] = []
    warnings: list[str] = []
    tables: dict[str, pd.DataFrame] = {}
    for name, source in sources:
        if isinstance(source, tuple):
            here = source
        else:
            table = source
            for earlier, other in tables.items():
                if twice := same_plots(table, other):
                    raise InputError(
                        f"plot {twice[0]} has the same counts in {earlier}",
                        place=Place(file=Path(name)),
                        hint="give each record once; counts given twice would count twice",
                    )
            tables[name] = table
            notes.extend(table.attrs.get("notes", ()))
            if season is not None:
                table, left_out = of_crop(table, crop, season)
                notes.extend(left_out)
            elif mixed := mixed_lots_note(table, crop):
                warnings.append(mixed)
            here = plots_of_records(table, crop)
        prefix = f"{Path(name).stem} " if len(sources) > 1 else ""
        plots += [replace(plot, name=f"{prefix}{plot.name}") for plot in here]
    if variety and not any(plot.variety for plot in plots):
        plots = [replace(plot, variety=variety) for plot in plots]
    if lot and not any(plot.seed_lot for plot in plots):
        plots = [replace(plot, seed_lot=lot) for plot in plots]
    lots: dict[str, SeedLot] = {}
    if germination is not None:
        packet = SeedLot(id="packet", crop=crop.name, germination=germination)
        lots = {plot.name: packet for plot in plots}
    elif season is not None:
        lots = {row.id: season.row_lot(row) for row in season.data.rows}
    return Gathered(
        plots=with_viability(plots, crop, lots), notes=tuple(notes), warnings=tuple(warnings)
    )


def mixed_lots_note(records: pd.DataFrame, crop: Crop) -> str | None:
    """Say that plots of several seed lots are all taken as one crop, which records do not name."""
    lots = sorted({str(lot) for lot in records["seed_lot"].dropna() if str(lot)})
    if len(lots) < 2:
        return None
    return (
        f"the records hold the seed lots {', '.join(lots)} and do not name a crop: all are taken "
        f"as {crop.name}; --season SEASON.toml leaves out rows of other crops"
    )


_FEW_SEEDLINGS = 3


def day_of(hour: float) -> str:
    """ISO date of an hour since 1970, UTC."""
    return str(np.datetime64(int(hour), "h").astype("datetime64[D]"))


def half_emergence_d(plot: Plot) -> float | None:
    """Day after planting on which half of the plot's seedlings had come, by interpolation. [d]"""
    if plot.noted_h is not None:
        return (0.5 * (plot.noted_h[0] + plot.noted_h[1]) - plot.planted_h) / 24.0
    if plot.emerged < _FEW_SEEDLINGS:
        return None
    at, part = middle_seedling(plot.new)
    hours = np.concatenate([[plot.planted_h], plot.hours])
    return float((hours[at - 1] + part * (hours[at] - hours[at - 1]) - plot.planted_h) / 24.0)


def middle_seedling(new: FloatArray) -> tuple[int, float]:
    """Look by which half of the seedlings had come, from one, and how far from the one before."""
    cumulative = np.concatenate([[0.0], new.cumsum()])
    at = int(np.searchsorted(cumulative, 0.5 * cumulative[-1]))
    return at, float((0.5 * cumulative[-1] - cumulative[at - 1]) / new[at - 1])


REQUIRED = ("planted", "emergence_date")
"""Columns that make a file one of dates; all others of a records file may stand beside them."""

NOTED_BEFORE_H = 24.0
"""A date was noted on a round; what it notes came up that day or the day before. [h]"""


def is_dates_file(path: Path) -> bool:
    """Whether the first line names the columns of a file of dates."""
    heading = read_text(path).lstrip().split("\n", 1)[0]
    columns = {cell.strip().strip('"') for cell in heading.split(",")}
    return set(REQUIRED) <= columns and "emerged" not in columns


def noted_window_h(day_start_h: float) -> tuple[float, float]:
    """Hours between which emergence lies when it was noted on a day. [h]"""
    return day_start_h - NOTED_BEFORE_H, day_start_h + 24.0


def read_dates(path: Path, crop: Crop, *, timezone: str = "UTC") -> tuple[Plot, ...]:
    """Read sowings with one date of emergence each.

    Parameters
    ----------
    path : path
        CSV with ``planted`` and ``emergence_date`` (ISO 8601), and where known ``plot``,
        ``variety``, ``seed_lot``, ``treatment``, ``started``, ``depth_cm``.
    crop : Crop
        For the depth of sowings that have none.
    timezone : str
        IANA time zone of the dates.

    Raises
    ------
    InputError
        Naming line and column.
    """
    table = parse_table(path, read_text(path))
    plots: dict[str, Plot] = {}
    lines: dict[str, int] = {}
    for line in table.lines:
        cells = dict(zip(table.header, line.cells, strict=True))
        plot = _sowing(path, line.number, cells, crop, zone(timezone))
        if plot.name in plots:
            raise InputError(
                f"the plot {plot.name!r} is on line {lines[plot.name]} already",
                place=table.place(line.number, "plot"),
            )
        plots[plot.name], lines[plot.name] = plot, line.number
    if not plots:
        raise InputError("the file holds no sowing", place=Place(file=path))
    return tuple(plots.values())


def _sowing(path: Path, line: int, cells: Mapping[str, str], crop: Crop, tz: tzinfo) -> Plot:
    def when(column: str) -> Moment:
        return read_moment(cells.get(column, ""), tz, Place(file=path, line=line, column=column))

    def hour(stamp: datetime) -> float:
        return float(hours_since_epoch([np.datetime64(stamp)])[0])

    def number(column: str) -> float | None:
        if not cells.get(column):
            return None
        try:
            value = float(cells[column])
        except ValueError:
            value = np.nan
        if not 0 <= value <= 100:
            raise InputError(
                f"found {cells[column]!r}, expected a number from 0 to 100",
                place=Place(file=path, line=line, column=column),
            )
        return value

    planted = hour(when("planted").utc)
    midnight = datetime.combine(when("emergence_date").day, time(0), tzinfo=tz)
    noted = noted_window_h(hour(midnight.astimezone(UTC).replace(tzinfo=None)))
    if noted[1] <= planted:
        raise InputError(
            f"emergence on {cells['emergence_date']} is before planting on {cells['planted']}",
            place=Place(file=path, line=line, column="emergence_date"),
        )
    started = hour(when("started").utc) if cells.get("started") else planted
    name = cells.get("plot") or f"line {line}"
    treatment = cells.get("treatment") or "direct"
    return Plot(
        name=name,
        treatment=treatment,
        handling=handling_of(name, treatment, planted - started),
        planted_h=planted,
        depth_cm=number("depth_cm") or crop.usual_depth_cm,
        seeds=0,
        noted_h=(max(noted[0], planted), noted[1]),
        variety=cells.get("variety") or None,
        seed_lot=cells.get("seed_lot") or None,
    )
