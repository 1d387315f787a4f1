"""Records of a trial: the file read, checked as a whole, and handed on as a table."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

from thermosprout.errors import InputError
from thermosprout.trials.records.file import Table, parse_table, read_settled, require_columns
from thermosprout.trials.records.plots import (
    KINDS,
    Entry,
    PlotHistory,
    read_entries,
    settle_all,
)
from thermosprout.trials.records.values import FACTS, Moment, offset_of, zone

if TYPE_CHECKING:
    import pandas as pd


_LEAST = ("plot", "treatment", "planted", "seeds_planted", "inspected", "emerged")
"""Columns without which records cannot be analysed."""


@dataclass(frozen=True, kw_only=True)
class Loaded:
    """A records file as it stands: every plot's history, and notes for the reader.

    Attributes
    ----------
    histories : dict
        Plot to its settled history, in the order of the file.
    notes : tuple of str
        What was noticed without being a fault: columns not read, a line cut short by a kill.
    """

    table: Table
    histories: dict[str, PlotHistory]
    notes: tuple[str, ...]


def load(path: Path, *, timezone: str = "UTC") -> Loaded:
    """Read a records file and check every line of it.

    Raises
    ------
    InputError
        For the first fault, naming its line and column.
    """
    text, torn = read_settled(path)
    table = parse_table(path, text)
    others = require_columns(table)
    entries = read_entries(table, zone(timezone))
    _check_planned(table, entries)
    _check_labels(table, entries)
    notes = [f"{path}: the column {name!r} is not read" for name in others]
    if torn:
        notes.append(
            f"{path}: a line at the end was cut short when its writer was stopped; it had not "
            f"been confirmed and is left out: {torn[:60]!r}"
        )
    histories = settle_all(path, entries)
    return Loaded(table=table, histories=histories, notes=tuple(notes))


def _check_planned(table: Table, entries: Sequence[Entry]) -> None:
    """Where the file lists its plots, a count for a plot that is not listed is a slip.

    A plot is listed by a first line without a count; a later one corrects what is known of it.
    """
    first: dict[str, Entry] = {}
    for entry in entries:
        first.setdefault(entry.plot, entry)
    planned = {plot for plot, entry in first.items() if entry.inspected is None}
    if not planned:
        return
    for entry in entries:
        if entry.plot not in planned:
            raise InputError(
                f"there is no plot {entry.plot!r} in the plan",
                place=table.place(entry.line, "plot"),
                hint="add a line for it with inspected and emerged empty, or correct the name",
            )


def _check_labels(table: Table, entries: Sequence[Entry]) -> None:
    """Labels that differ only in capitals or blanks are the same thing written twice."""
    for column in ("plot", "treatment", "variety", "block"):
        first: dict[str, tuple[str, int]] = {}
        for entry in entries:
            label = getattr(entry, column)
            other, line = first.setdefault(" ".join(label.casefold().split()), (label, entry.line))
            if other != label:
                raise InputError(
                    f"found {label!r}, but {other!r} on line {line}",
                    place=table.place(entry.line, column),
                    hint="write the same thing the same way on every line",
                )


def read_records(path: str | Path, *, timezone: str = "UTC", planned: bool = False) -> pd.DataFrame:
    """Read the records of a trial.

    Parameters
    ----------
    path : path
        Tidy CSV with the columns of :mod:`thermosprout.trials.records.values`.
    timezone : str
        IANA time zone of dates that stand alone.
    planned : bool
        Whether plots without any count are included, as rows without ``inspected``.

    Returns
    -------
    pandas.DataFrame
        One row per plot and inspection that holds after corrections, in the order of plots in
        the file and of time. ``started``, ``planted``, ``inspected``, ``first_harvest`` and
        ``entered`` are naive UTC instants (a date alone is noon of the local day); the text
        as written is in ``started_local``, ``planted_local``, ``inspected_local``. Further
        columns: ``line`` and the rest of the file's known columns. ``attrs["notes"]`` holds
        what was noticed.

    Raises
    ------
    InputError
        For the first fault, naming its line and column.
    """
    loaded = load(Path(path), timezone=timezone)
    frame = to_frame(loaded.histories, planned=planned)
    frame.attrs["notes"] = list(loaded.notes)
    frame.attrs["timezone"] = timezone
    return frame


def to_frame(histories: dict[str, PlotHistory], *, planned: bool = False) -> pd.DataFrame:
    """Histories as the table that :func:`read_records` returns."""
    import numpy as np
    import pandas as pd

    pairs = [
        (history, count)
        for history in histories.values()
        for count in history.counts or ((history.facts,) if planned else ())
    ]
    facts = [history.facts for history, _ in pairs]
    counts = [count for _, count in pairs]

    def stamps(moments: Sequence[Moment | None]) -> pd.DatetimeIndex:
        instants = np.array([m and m.utc for m in moments], dtype="datetime64[us]")
        return pd.DatetimeIndex(instants).as_unit("ns")

    def column(name: str) -> Any:
        if name == "first_harvest":
            return stamps([history.first_harvest for history, _ in pairs])
        of = facts if name in ("plot", *FACTS) else counts
        values = [getattr(entry, name) for entry in of]
        kind = "whole" if name == "line" else KINDS[name]
        if kind == "label":
            return values
        if kind == "moment":
            return stamps(values)
        if kind != "whole" or name == "stations_filled" or None in values:
            return np.array(values, dtype=float)
        return np.array(values, dtype=int)

    return pd.DataFrame(
        {
            **{field.name: column(field.name) for field in fields(Entry)},
            "started_local": [f.started.text for f in facts],
            "planted_local": [f.planted.text for f in facts],
            "inspected_local": [c.inspected.text if c.inspected else "" for c in counts],
        }
    )


def complete(records: pd.DataFrame) -> pd.DataFrame:
    """Table of records with every column the analysis reads, from one that may lack some.

    Parameters
    ----------
    records : pandas.DataFrame
        One row per plot and inspection with ``plot``, ``treatment``, ``planted``,
        ``seeds_planted``, ``inspected`` and ``emerged``. Dates may be text, dates or timestamps
        (with a time zone, or else taken as UTC). Without ``started`` and ``seeds_started`` all
        seed counts as planted on the day it was started; other columns count as empty.

    Raises
    ------
    InputError
        When one of those six is missing, a date or number cannot be read, a plot has two
        treatments, or counts are there twice, fall, exceed the seeds planted or come before the
        planting.
    """
    import numpy as np
    import pandas as pd

    for name in _LEAST:
        if name not in records.columns:
            raise InputError(
                f"the table has no column {name!r}", hint=f"it needs {', '.join(_LEAST)}"
            )
    table = records.copy()
    table.attrs = dict(records.attrs)
    for name, other in (("started", "planted"), ("seeds_started", "seeds_planted")):
        if name not in table:
            table[name] = table[other]
    for name in ("block", "variety", "seed_lot", "note", "observer"):
        table[name] = table[name].fillna("").astype(str) if name in table else ""
    for name in ("plot", "treatment"):
        table[name] = table[name].astype(str)
    for name, kind in KINDS.items():
        if kind in ("label", "moment"):
            continue
        try:
            table[name] = pd.to_numeric(table[name]) if name in table else np.nan
        except (ValueError, TypeError) as error:
            raise InputError(f"the column {name!r} holds no numbers ({error})") from None
    for name in ("started", "planted", "inspected", "first_harvest", "entered"):
        stamps = table[name] if name in table else pd.Series(pd.NaT, index=table.index)
        try:
            instants = pd.to_datetime(stamps, utc=True)
        except (ValueError, TypeError) as error:
            raise InputError(f"the column {name!r} holds no dates ({error})") from None
        table[name] = instants.dt.tz_localize(None).astype("datetime64[ns]")
    for name in ("started", "planted", "inspected"):
        if f"{name}_local" not in table:
            table[f"{name}_local"] = table[name].dt.strftime("%Y-%m-%d").fillna("")
    counted = table[table["inspected"].notna()].sort_values("inspected", kind="stable")
    numbers = counted[["emerged", "seeds_planted", "seeds_started"]]
    falls = counted.groupby("plot", sort=False)["emerged"].diff() < 0
    treatments = counted.groupby("plot", sort=False)["treatment"].transform("nunique")
    for fault, words in (
        (counted["planted"].isna(), "has no planting"),
        (treatments > 1, "is of a plot with two treatments"),
        (counted.duplicated(["plot", "inspected"]), "is there twice"),
        (~(numbers.ge(0) & numbers.mod(1).eq(0)).all(axis=1), "needs whole numbers, 0 or more"),
        (falls, "falls from one inspection to the next"),
        (counted["emerged"] > counted["seeds_planted"], "is more than the seeds planted"),
        (counted["inspected"] < counted["planted"].dt.floor("D"), "was made before the planting"),
    ):
        if fault.any():
            row = counted[fault].iloc[0]
            raise InputError(f"the count of plot {row['plot']} on {row['inspected_local']} {words}")
    return table


def same_plots(one: pd.DataFrame, other: pd.DataFrame) -> list[str]:
    """Plots of which two tables of records hold the same counts: same name, planting and numbers.

    Parameters
    ----------
    one, other : pandas.DataFrame
        As :func:`read_records` returns. Plots in which nothing came up are left out.
    """

    def counts(records: pd.DataFrame) -> dict[tuple[object, ...], str]:
        plots_of = {}
        for name, rows in records[records["inspected"].notna()].groupby("plot", sort=False):
            if rows["emerged"].max() > 0:
                first = rows.iloc[0]
                key = (name, first["treatment"], first["planted"], first["seeds_planted"])
                plots_of[(*key, *rows["inspected"], *rows["emerged"])] = str(name)
        return plots_of

    there = counts(other)
    return [name for key, name in counts(one).items() if key in there]


def plots(records: pd.DataFrame) -> pd.DataFrame:
    """One row per plot: its facts, how often it was inspected and what had emerged at the end.

    Parameters
    ----------
    records : pandas.DataFrame
        As :func:`read_records` returns.

    Returns
    -------
    pandas.DataFrame
        The plot's columns, ``inspections``, ``last_inspected`` and ``final`` (emerged at the
        last inspection, NaN for a plot not counted yet), in the order of the records.
    """
    facts = ["plot", *FACTS, "first_harvest", "started_local", "planted_local"]
    ordered = records.sort_values("inspected", kind="stable", na_position="first")
    grouped = ordered.groupby("plot", sort=False)
    table = records.drop_duplicates("plot")[facts].set_index("plot")
    table["inspections"] = grouped["inspected"].count()
    table["last_inspected"] = grouped["inspected"].last()
    table["final"] = grouped["emerged"].last()
    return table.reset_index()


@dataclass(frozen=True, kw_only=True)
class PlotSteps:
    """Counts of one plot for its small picture: days since planting, share of seeds planted."""

    block: str
    label: str
    plot: str
    days: list[float]
    emerged: list[float]


def block_steps(records: pd.DataFrame, compared: str = "treatment") -> list[PlotSteps]:
    """Counts of every plot in the order of blocks, for small multiples.

    Parameters
    ----------
    records : pandas.DataFrame
        Counts.
    compared : str
        Column that tells plots of a block apart.
    """
    counted = records[records["inspected"].notna() & (records["seeds_planted"] > 0)]
    waits = (counted["inspected"] - counted["planted"]).dt.total_seconds() / 86_400.0
    table = counted.assign(days=waits, share=counted["emerged"] / counted["seeds_planted"])
    several = counted["variety"].nunique() > 1 and compared != "variety"
    plots = []
    for plot, rows in table.sort_values("days").groupby("plot", sort=False):
        first = rows.iloc[0]
        block = f"{first['variety']}, block {first['block']}" if several else first["block"]
        plots.append(
            PlotSteps(
                block=str(block) or "all",
                label=str(first[compared]),
                plot=str(plot),
                days=[0.0, *rows["days"].tolist()],
                emerged=[0.0, *rows["share"].tolist()],
            )
        )
    return sorted(plots, key=lambda item: (item.block, item.plot))


def records_timezone(path: Path) -> str:
    """Offset from UTC that the file's own plantings carry, or UTC where they are dates alone.

    A count on "2026-10-26" belongs to the day of the bed: beside plots planted at
    ``2026-09-20T09:00+12:00`` it is that day on a clock 12 h ahead of UTC. Where a clock change
    lies between plantings the offset of the latest one is taken, which is nearest to the counts.

    Parameters
    ----------
    path : Path
        Records file; one that is absent or at fault counts as UTC: reading it names the fault.

    Returns
    -------
    str
        Such as ``+12:00``, or ``UTC``; read by :func:`thermosprout.trials.records.values.zone`.
    """
    if not path.is_file():
        return "UTC"
    try:
        table = parse_table(path, read_settled(path)[0])
    except InputError:
        return "UTC"
    if "planted" not in table.header:
        return "UTC"
    column = table.header.index("planted")
    return timezone_of_rows([{"planted": line.cells[column]} for line in table.lines])


def timezone_of_rows(rows: Sequence[Mapping[str, str]]) -> str:
    """Offset of the latest planting among rows that carry one, or UTC.

    Parameters
    ----------
    rows : sequence of mappings
        Column to text; ``planted`` is looked at.
    """
    stamped = [text for row in rows if (text := row.get("planted", "")) and offset_of(text)]
    return offset_of(max(stamped)) if stamped else "UTC"
