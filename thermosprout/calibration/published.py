"""What the published tables say of each crop, gathered for the fit of the catalogue."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from thermosprout.arrays import FloatArray
from thermosprout.crops.crop import Crop
from thermosprout.emergence.response import response
from thermosprout.reference import reference_rows

Row = dict[str, str]

DAY_TABLE = "harrington1954"
PAIRS_KEPT_OUT = ("bierhuizen1974", "angus1981")
"""Heat sums that check a crop with a day table and therefore never enter its fit."""

IMPLAUSIBLE_DAYS = ("cowpea",)
"""Emergence of a warm-season crop at 10 °C within 14 d: the row is not used."""

DEEP_SOWINGS = ("russelle1980",)
"""Heat sums of deep-furrow sowings, not those of usual depth."""

LEAST_CELLS = 3
"""Timed temperatures that make a day table."""


@dataclass(frozen=True, kw_only=True)
class DayCell:
    """Published days to emergence at one temperature, or over a band of temperatures.

    ``low`` and ``high`` bound the days [d] (a whole number of days is its value ± 0.5 d),
    ``decimal`` is a recalled finer figure [d] or NaN, ``sd`` the error of ln days; ``band`` is
    true where the temperature is the middle of a printed band.
    """

    temperature: float
    low: float
    high: float
    decimal: float
    sd: float
    source: str
    verified: str
    band: bool = False


@dataclass(frozen=True, kw_only=True)
class BaseFigure:
    """A published base temperature (the middle where a range is printed) and its error. [degC]"""

    value: float
    sd: float
    stage: str
    source: str
    verified: str
    low: float
    high: float


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


def number(text: str) -> float:
    """Figure of a cell, NaN where it is empty."""
    return float(text) if text else float("nan")


def gather() -> dict[str, Evidence]:
    """Evidence of every crop of ``crops.csv``."""
    return {row["crop"]: _gather_one(row) for row in reference_rows("crops.csv")}


def _gather_one(row: Row) -> Evidence:
    names = tuple(row["evidence_names"].split(";"))
    bounds = list(_cardinal_bounds(names))
    cells = (*_harrington(names), *_other_days(names))
    return Evidence(
        crop=row["crop"],
        season=row["season"],
        cells=cells,
        bases=tuple(_bases(names)),
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


def _of(table: str, names: tuple[str, ...]) -> Iterator[Row]:
    return (row for row in reference_rows(table) if row["crop"] in names)


def _harrington(names: tuple[str, ...]) -> Iterator[DayCell]:
    for row in _of("emergence_days.csv", names):
        if row["status"] == "value":
            days = float(row["days"])
            yield DayCell(
                temperature=float(row["temp_C"]),
                low=days - 0.5,
                high=days + 0.5,
                decimal=number(row["days_decimal"]),
                sd=0.03,
                source=DAY_TABLE,
                verified=row["verified"],
            )


def _other_days(names: tuple[str, ...]) -> Iterator[DayCell]:
    for row in _of("emergence_days_other.csv", names):
        skip = row["crop"] in IMPLAUSIBLE_DAYS or row["source_id"] == "leviatov1994"
        if row["status"] != "value" or skip or row["days_high"] == "":
            continue
        low, high = float(row["days_low"]), float(row["days_high"])
        band = row["temp_low_C"] != row["temp_high_C"]
        yield DayCell(
            temperature=(float(row["temp_low_C"]) + float(row["temp_high_C"])) / 2,
            low=low if band else low - 0.5,
            high=high if band else high + 0.5,
            decimal=float("nan"),
            sd=0.15,
            source=row["source_id"],
            verified=row["verified"],
            band=band,
        )


BASE_ERROR = {"emergence": 1.2, "germination": 1.8, "model setting": 3.0, "growth": 3.0}
"""How far a published base may lie from that of emergence of the crop at large. [C]
Settings of crop models are calibrated, not measured."""


def _bases(names: tuple[str, ...]) -> Iterator[BaseFigure]:
    for row in _of("base_temperatures.csv", names):
        low = number(row["t_base_C"])
        high = number(row["t_base_high_C"])
        if np.isnan(low) and np.isnan(high):
            continue
        low, high = (high if np.isnan(low) else low), (low if np.isnan(high) else high)
        error = BASE_ERROR[row["stage"]] + (0.5 if row["verified"] == "memory" else 0.0)
        yield BaseFigure(
            value=(low + high) / 2,
            sd=float(np.hypot(error, (high - low) / 4)),
            stage=row["stage"],
            source=row["source_id"],
            verified=row["verified"],
            low=low,
            high=high,
        )


def _sums(names: tuple[str, ...]) -> Iterator[HeatSum]:
    for row in _of("base_temperatures.csv", names):
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
    timed = [cell.temperature for cell in _harrington(names)] or [20.0]
    for row in [*_of("emergence_days.csv", names)]:
        temperature = float(row["temp_C"])
        if row["status"] == "no_germination" and temperature < min(timed):
            yield Bound(value=temperature - 1.0, sd=0.7, above=True)


def _hot_cells(names: tuple[str, ...]) -> Iterator[Bound]:
    """Too few seedlings to time in the heat: the ceiling lies below, or not far above.

    Where half of the seedlings or more were normal (celery at 25 °C) the cell says nothing.
    """
    timed = [cell.temperature for cell in _harrington(names)] or [20.0]
    for row in _of("emergence_days.csv", names):
        temperature = float(row["temp_C"])
        few = not row["normal_seedlings_pct"] or float(row["normal_seedlings_pct"]) < 50
        if row["status"] == "no_germination" and few and temperature > max(timed):
            yield Bound(value=temperature + 1.0, sd=1.5, above=False)


def _cardinals(names: tuple[str, ...], column: str) -> Iterator[float]:
    for row in _of("cardinal_temperatures.csv", names):
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
    for row in _of("cardinal_temperatures.csv", names):
        if row["t_opt_C"] and row["source_id"] != "intech2013":
            yield float(row["t_opt_C"]), 5.0, row["source_id"]


def _stand_cells(names: tuple[str, ...]) -> Iterator[tuple[float, float]]:
    """Temperature [degC] and share of normal seedlings, where the table has one."""
    for row in _of("emergence_days.csv", names):
        if row["normal_seedlings_pct"]:
            yield float(row["temp_C"]), float(row["normal_seedlings_pct"]) / 100.0


def days_to_half(crop: Crop, temperature: npt.ArrayLike) -> FloatArray:
    """Days to half emergence from 1.27 cm at constant temperatures, inf where there is none.

    Parameters
    ----------
    temperature : array_like
        [degC]
    """
    centre = {name: np.array([value]) for name, value in crop.estimate.centre().items()}
    return np.asarray(_days(crop, centre, np.atleast_1d(np.asarray(temperature, dtype=float)))[0])


def days_band(
    crop: Crop,
    temperature: npt.ArrayLike,
    probabilities: Sequence[float],
    rng: np.random.Generator,
    size: int = 1000,
) -> FloatArray:
    """Quantiles of the days over varieties and lots, shape (probability, temperature)."""
    draws = crop.estimate.draw(size, rng)
    days = _days(crop, draws, np.atleast_1d(np.asarray(temperature, dtype=float)))
    return np.asarray(np.quantile(days, probabilities, axis=0, method="nearest"))


def _days(crop: Crop, draws: dict[str, FloatArray], temperature: FloatArray) -> FloatArray:
    base = draws["t_base_C"][:, None]
    opt = base + draws["opt_gap_C"][:, None]
    top = opt + draws["ceiling_gap_C"][:, None]
    rate = response(crop.response, temperature, base, opt, top, draws["curvature"][:, None])
    with np.errstate(divide="ignore"):
        return np.asarray(draws["thermal_time_50_Cd"][:, None] / rate)


@dataclass(frozen=True, kw_only=True)
class StraightLine:
    """Line through the speeds of a crop's warm half: base [degC] and heat sum [C d]."""

    base_C: float
    heat_sum_Cd: float
    from_C: float
    to_C: float


WARM_HALF = (0.35, 0.8)
"""Speeds, as shares of the greatest, between which the line is drawn: above the slow foot, below
the bend at the optimum."""


def straight_line(crop: Crop) -> StraightLine:
    """Base and heat sum that a straight line through a crop's warm half gives.

    Notes
    -----
    Regression of speed (1 / days) on temperature; its inverse slope is the heat sum above the
    base where it meets zero (Garcia-Huidobro, Monteith & Squire 1982, J. Exp. Bot. 33:288-296).
    """
    temperature = np.arange(-10.0, 50.0, 0.25)
    speed = 1.0 / days_to_half(crop, temperature)
    low, high = (share * speed.max() for share in WARM_HALF)
    warm = (speed >= low) & (speed <= high) & (temperature < temperature[speed.argmax()])
    slope, cut = np.polyfit(temperature[warm], speed[warm], 1)
    return StraightLine(
        base_C=float(-cut / slope),
        heat_sum_Cd=float(1.0 / slope),
        from_C=float(temperature[warm][0]),
        to_C=float(temperature[warm][-1]),
    )


def published_bases(crop: Crop) -> tuple[BaseFigure, ...]:
    """Published base temperatures of a crop, as they entered the fit."""
    evidence = gather().get(crop.name)
    return evidence.bases if evidence else ()


def published_days(crop: Crop) -> tuple[DayCell, ...]:
    """Published days to emergence of a crop, as they entered the fit."""
    evidence = gather().get(crop.name)
    return evidence.cells if evidence else ()


def short_citations() -> dict[str, str]:
    """Source id to authors and year ("n.d." where none was printed), as a legend has room for."""
    return {
        row["source_id"]: _authors_and_year(row["source"]) for row in reference_rows("sources.csv")
    }


def _authors_and_year(citation: str) -> str:
    """Start of a citation up to its year; up to its first comma where it has none."""
    start = re.match(r".*?\b(?:(?:18|19|20)\d\d\b|n\.d\.)", citation)
    return start[0] if start else re.split("[;,(]", citation)[0]
