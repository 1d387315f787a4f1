"""A crop's own curve of days against temperature, with what is held against it.

Published days and base temperatures stand beside it; a germination test of a lot is read by it for
the grower: what is alive, how quick it is, how long it keeps.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np
import numpy.typing as npt

from thermosprout.crops.crop import DRESSED, GLOVES, Crop
from thermosprout.crops.estimate import Draws
from thermosprout.crops.germination_test import GerminationTest, replicate_warning
from thermosprout.crops.seed_lots import SeedLot, viability_interval
from thermosprout.emergence.response import ResponseDraws
from thermosprout.errors import InputError
from thermosprout.files import reference_rows
from thermosprout.quantities import FloatArray
from thermosprout.special import ndtri

Row = dict[str, str]

DAY_TABLE = "harrington1954"

IMPLAUSIBLE_DAYS = ("cowpea",)
"""Emergence of a warm-season crop at 10 °C within 14 d: the row is not used."""


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


def number(text: str) -> float:
    """Figure of a cell, NaN where it is empty."""
    return float(text) if text else float("nan")


def rows_of(table: str, names: tuple[str, ...]) -> Iterator[Row]:
    """Rows of a table that are of a crop by any of its names."""
    return (row for row in reference_rows(table) if row["crop"] in names)


def tabled_days(names: tuple[str, ...]) -> Iterator[DayCell]:
    """Days of the one table that holds many crops at many temperatures."""
    for row in rows_of("emergence_days.csv", names):
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


def other_days(names: tuple[str, ...]) -> Iterator[DayCell]:
    """Days from all other works."""
    for row in rows_of("emergence_days_other.csv", names):
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


def base_figures(names: tuple[str, ...]) -> Iterator[BaseFigure]:
    """Published base temperatures of a crop by any of its names."""
    for row in rows_of("base_temperatures.csv", names):
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


def days_to_half(crop: Crop, temperature: npt.ArrayLike) -> FloatArray:
    """Days to half emergence from 1.27 cm at constant temperatures, inf where there is none.

    Parameters
    ----------
    temperature : array_like
        [degC]
    """
    centre = {name: np.array([value]) for name, value in crop.estimate.centre().items()}
    return np.asarray(_days(crop, centre, temperature)[0])


def days_band(
    crop: Crop,
    temperature: npt.ArrayLike,
    probabilities: Sequence[float],
    rng: np.random.Generator,
    size: int = 1000,
) -> FloatArray:
    """Quantiles of the days over varieties and lots, shape (probability, temperature)."""
    days = _days(crop, crop.estimate.draw(size, rng), temperature)
    return np.asarray(np.quantile(days, probabilities, axis=0, method="nearest"))


def _days(crop: Crop, draws: Draws, temperature: npt.ArrayLike) -> FloatArray:
    """Days that each draw takes to half emergence, shape (draw, temperature)."""
    at = np.atleast_1d(np.asarray(temperature, dtype=float))[None, :]
    with np.errstate(divide="ignore"):
        rate = ResponseDraws.from_draws(crop.response, draws).at(at)
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


def _names(crop: Crop) -> tuple[str, ...]:
    """Names by which the tables of evidence know a crop."""
    for row in reference_rows("crops.csv"):
        if row["crop"] == crop.name:
            return tuple(row["evidence_names"].split(";"))
    return ()


def published_bases(crop: Crop) -> tuple[BaseFigure, ...]:
    """Published base temperatures of a crop, as they entered the fit."""
    return tuple(base_figures(_names(crop)))


def published_days(crop: Crop) -> tuple[DayCell, ...]:
    """Published days to emergence of a crop, as they entered the fit."""
    names = _names(crop)
    return (*tabled_days(names), *other_days(names))


def short_citations() -> dict[str, str]:
    """Source id to authors and year ("n.d." where none was printed), as a legend has room for."""
    citations = {}
    for row in reference_rows("sources.csv"):
        to_year = re.match(r".*?\b(?:(?:18|19|20)\d\d\b|n\.d\.)", row["source"])
        citations[row["source_id"]] = to_year[0] if to_year else re.split("[;,(]", row["source"])[0]
    return citations


YEARS_AHEAD = (0, 1, 2, 3)
_USABLE_RATE = 0.3
"""Degree-days a day below which a test says little of vigour. [C]"""


@dataclass(frozen=True, kw_only=True)
class LotReport:
    """What a lot's figures say.

    Attributes
    ----------
    viability : tuple of (day, low, middle, high)
        Share alive on the day asked for and on the same day of years to come, in the same store.
    slower_pct : (low, middle, high) or None
        How much longer than a usual lot it took to half germination; None where the counts do
        not tell. [%]
    warnings : tuple of str
        Sentences for the grower.
    """

    lot: SeedLot
    probability: float
    viability: tuple[tuple[date, float, float, float], ...]
    slower_pct: tuple[float, float, float] | None
    warnings: tuple[str, ...]


def expected_half_germination(
    crop: Crop, temperature: float, rng: np.random.Generator, size: int = 2000
) -> tuple[float, float]:
    """Days to half germination of a usual lot at a constant temperature, and the sd of their ln.

    Parameters
    ----------
    temperature : float
        Of the test. [degC]

    Raises
    ------
    InputError
        When most lots of the crop do not germinate at that temperature.
    """
    draws = crop.estimate.draw(size, rng)
    days = draws["germination_share"] * _days(crop, draws, temperature)[:, 0]
    usable = ResponseDraws.from_draws(crop.response, draws).at(temperature) > _USABLE_RATE
    if usable.mean() < 0.75:
        raise InputError(
            f"{temperature:g} °C is too near the limits of {crop.name} to judge vigour by",
            hint="test at 20 to 25 °C",
        )
    ln_days = np.log(days[usable])
    return float(np.exp(np.median(ln_days))), float(ln_days.std())


def check_lot(
    lot: SeedLot,
    crop: Crop,
    rng: np.random.Generator,
    *,
    on: date,
    test: GerminationTest | None = None,
    temperature_C: float = 20.0,
    probability: float = 0.9,
) -> LotReport:
    """Read a lot's test, packet and age.

    Parameters
    ----------
    on : date
        Day the viability is asked for; a test without a day of its own is taken as made then.
    test : GerminationTest, optional
        Counts by day; they replace the lot's own counts.
    temperature_C : float
        Of the test. [degC]
    """
    slower: tuple[float, float, float] | None = None
    warnings = []
    if test is not None:
        lot = replace(lot, seeds_tested=test.tested, seeds_germinated=test.germinated[-1])
        if test.germinated[-1] >= 3:
            expected, spread = expected_half_germination(crop, temperature_C, rng)
            vigour = test.vigour_shift(expected, expected_sd=spread)
            if vigour is None:
                warnings.append("speed not known from one count; look daily")
            else:
                shift, error = vigour
                reach = float(ndtri(0.5 + probability / 2)) * error
                low, middle, high = 100.0 * np.expm1(shift + reach * np.array([-1.0, 0.0, 1.0]))
                slower = float(low), float(middle), float(high)
        if len(test.germinated) > 1 and test.germinated[-1] > test.germinated[-2]:
            warnings.append("seeds still germinated at the last count: go on counting")
    if lot.tested_on is None and (lot.counts is not None or lot.year is None):
        lot = replace(lot, tested_on=on)
    scatter = replicate_warning(lot.replicates)
    if scatter is not None:
        warnings.append(scatter)
    days = [on + timedelta(days=round(365.25 * years)) for years in YEARS_AHEAD]
    if lot.dressed:
        warnings += [DRESSED.rstrip("."), GLOVES.rstrip(".")]
    return LotReport(
        lot=lot,
        probability=probability,
        viability=tuple(
            (day, *viability_interval(lot, crop, rng, probability=probability, on=day))
            for day in days
        ),
        slower_pct=slower,
        warnings=tuple(warnings),
    )
