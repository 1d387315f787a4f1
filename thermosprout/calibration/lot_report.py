"""A germination test read for the grower: what is alive, how quick it is, how long it keeps."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np

from thermosprout.crops.crop import DRESSED, GLOVES, Crop
from thermosprout.crops.germination_test import GerminationTest, replicate_warning
from thermosprout.crops.seed_lots import SeedLot, viability_interval
from thermosprout.emergence.response import response
from thermosprout.errors import InputError

YEARS_AHEAD = (0, 1, 2, 3)


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
    base = draws["t_base_C"]
    opt = base + draws["opt_gap_C"]
    top = opt + draws["ceiling_gap_C"]
    rate = response(crop.response, temperature, base, opt, top, draws["curvature"])
    days = draws["germination_share"] * draws["thermal_time_50_Cd"] / np.maximum(rate, 1e-9)
    usable = rate > 0.3
    if usable.mean() < 0.75:
        raise InputError(
            f"{temperature:g} °C is too near the limits of {crop.name} to judge vigour by",
            hint="test at 20 to 25 °C",
        )
    ln_days = np.log(days[usable])
    return float(np.exp(np.median(ln_days))), float(ln_days.std())


def _percent(shift: float, error: float, probability: float) -> tuple[float, float, float]:
    """Low, middle and high of how much slower, from the shift of ln time. [%]"""
    from thermosprout.special import ndtri

    reach = float(ndtri(0.5 + probability / 2)) * error
    low, middle, high = (100.0 * float(np.expm1(x)) for x in (shift - reach, shift, shift + reach))
    return low, middle, high


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
                slower = _percent(*vigour, probability)
        if len(test.germinated) > 1 and test.germinated[-1] > test.germinated[-2]:
            warnings.append("seeds still germinated at the last count: go on counting")
    if lot.tested_on is None and (lot.counts is not None or lot.year is None):
        lot = replace(lot, tested_on=on)
    scatter = replicate_warning(lot.replicates)
    if scatter is not None:
        warnings.append(scatter)
    viability = []
    for years in YEARS_AHEAD:
        day = on + timedelta(days=round(365.25 * years))
        low, middle, high = viability_interval(lot, crop, rng, probability=probability, on=day)
        viability.append((day, low, middle, high))
    if lot.dressed:
        warnings += [DRESSED.rstrip("."), GLOVES.rstrip(".")]
    return LotReport(
        lot=lot,
        probability=probability,
        viability=tuple(viability),
        slower_pct=slower,
        warnings=tuple(warnings),
    )
