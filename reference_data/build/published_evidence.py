"""What the published tables say of each crop, gathered for the fit of the catalogue."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from thermosprout.calibration.crop_curve import (
    BaseFigure,
    DayCell,
    Row,
    base_figures,
    other_days,
    rows_of,
    tabled_days,
)
from thermosprout.files import reference_rows

PAIRS_KEPT_OUT = ("bierhuizen1974", "angus1981")
"""Heat sums that check a crop with a day table and therefore never enter its fit."""


DEEP_SOWINGS = ("russelle1980",)
"""Heat sums of deep-furrow sowings, not those of usual depth."""


LEAST_CELLS = 3
"""Timed temperatures that make a day table."""


@dataclass(frozen=True, kw_only=True)
class HeatSum:
    """A published sum [C d] above its own base [degC] for sowing to emergence or germination."""

    base: float
    total: float
    stage: str
    source: str
    verified: str


@dataclass(frozen=True, kw_only=True)
class Bound:
    """A soft one-sided bound: ``above`` says on which side of ``value`` [degC] the truth lies."""

    value: float
    sd: float
    above: bool


@dataclass(frozen=True, kw_only=True)
class Evidence:
    """All that was published of one crop's temperatures and times."""

    crop: str
    season: str
    cells: tuple[DayCell, ...] = ()
    bases: tuple[BaseFigure, ...] = ()
    sums: tuple[HeatSum, ...] = ()
    base_bounds: tuple[Bound, ...] = ()
    ceiling_bounds: tuple[Bound, ...] = ()
    optima: tuple[tuple[float, float, str], ...] = ()
    stand: tuple[tuple[float, float], ...] = ()
    maxima: tuple[float, ...] = ()
    minima: tuple[float, ...] = ()
    best_highs: tuple[float, ...] = ()
    sum_depth_cm: float | None = None
    traits: Row = field(default_factory=dict)

    @property
    def has_day_table(self) -> bool:
        """Whether days are known at enough temperatures for the crop's own curve."""
        return sum(not cell.band for cell in self.cells) >= LEAST_CELLS

    @property
    def fitted_sums(self) -> tuple[HeatSum, ...]:
        """Heat sums that may enter the fit: none of a crop that has a day table."""
        return () if self.has_day_table else self.sums


def gather() -> dict[str, Evidence]:
    """Evidence of every crop of ``crops.csv``."""
    return {row["crop"]: _gather_one(row) for row in reference_rows("crops.csv")}


def _gather_one(row: Row) -> Evidence:
    names = tuple(row["evidence_names"].split(";"))
    bounds = list(_cardinal_bounds(names))
    cells = (*tabled_days(names), *other_days(names))
    return Evidence(
        crop=row["crop"],
        season=row["season"],
        cells=cells,
        bases=tuple(base_figures(names)),
        sums=tuple(_sums(names)),
        base_bounds=tuple(b for kind, b in bounds if kind == "base") + tuple(_cold_cells(names)),
        ceiling_bounds=tuple(b for kind, b in bounds if kind == "ceiling")
        + tuple(_hot_cells(names)),
        optima=tuple(_optima(names)),
        stand=tuple(_stand_cells(names)),
        maxima=tuple(_cardinals(names, "t_max_C")),
        minima=tuple(_cardinals(names, "t_min_C")),
        best_highs=tuple(_cardinals(names, "t_opt_high_C")),
        sum_depth_cm=float(row["sum_depth_cm"]) if row["sum_depth_cm"] else None,
        traits=row,
    )


def _sums(names: tuple[str, ...]) -> Iterator[HeatSum]:
    for row in rows_of("base_temperatures.csv", names):
        if row["thermal_sum_Cd"] and row["t_base_C"] and row["source_id"] not in DEEP_SOWINGS:
            yield HeatSum(
                base=float(row["t_base_C"]),
                total=float(row["thermal_sum_Cd"]),
                stage=row["stage"],
                source=row["source_id"],
                verified=row["verified"],
            )


def _cold_cells(names: tuple[str, ...]) -> Iterator[Bound]:
    """Too few seedlings to time: the base lies above the temperature, or not far below it."""
    timed = [cell.temperature for cell in tabled_days(names)] or [20.0]
    for row in [*rows_of("emergence_days.csv", names)]:
        temperature = float(row["temp_C"])
        if row["status"] == "no_germination" and temperature < min(timed):
            yield Bound(value=temperature - 1.0, sd=0.7, above=True)


def _hot_cells(names: tuple[str, ...]) -> Iterator[Bound]:
    """Too few seedlings to time in the heat: the ceiling lies below, or not far above.

    Where half of the seedlings or more were normal (celery at 25 °C) the cell says nothing.
    """
    timed = [cell.temperature for cell in tabled_days(names)] or [20.0]
    for row in rows_of("emergence_days.csv", names):
        temperature = float(row["temp_C"])
        few = not row["normal_seedlings_pct"] or float(row["normal_seedlings_pct"]) < 50
        if row["status"] == "no_germination" and few and temperature > max(timed):
            yield Bound(value=temperature + 1.0, sd=1.5, above=False)


def _cardinals(names: tuple[str, ...], column: str) -> Iterator[float]:
    for row in rows_of("cardinal_temperatures.csv", names):
        if row[column] and row["source_id"] != "intech2013":
            yield float(row[column])


def _cardinal_bounds(names: tuple[str, ...]) -> Iterator[tuple[str, Bound]]:
    """Sowing advice: a base lies below the lowest minimum, a ceiling not below the maximum."""
    minima, maxima = [*_cardinals(names, "t_min_C")], [*_cardinals(names, "t_max_C")]
    if minima:
        yield "base", Bound(value=min(minima) - 1.0, sd=1.0, above=False)
    if maxima:
        yield "ceiling", Bound(value=min(maxima) + 1.0, sd=1.5, above=True)


def _optima(names: tuple[str, ...]) -> Iterator[tuple[float, float, str]]:
    for row in rows_of("cardinal_temperatures.csv", names):
        if row["t_opt_C"] and row["source_id"] != "intech2013":
            yield float(row["t_opt_C"]), 5.0, row["source_id"]


def _stand_cells(names: tuple[str, ...]) -> Iterator[tuple[float, float]]:
    """Temperature [degC] and share of normal seedlings, where the table has one."""
    for row in rows_of("emergence_days.csv", names):
        if row["normal_seedlings_pct"]:
            yield float(row["temp_C"]), float(row["normal_seedlings_pct"]) / 100.0
