"""The catalogue beside its own day table, seen and left out, and beside printed sums and bases."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from reference_data.build import catalogue_response as fitting
from reference_data.build.catalogue_response import Fit, Prior
from reference_data.build.published_evidence import PAIRS_KEPT_OUT, Evidence, gather
from thermosprout.calibration.crop_curve import DAY_TABLE, DayCell, days_to_half
from thermosprout.crops.catalogue import catalogue
from thermosprout.emergence.response import Shape
from thermosprout.files import reference_rows

LEAST_CELLS = 5
"""Timed temperatures of a crop whose cells are compared."""

BORROWED_BASES = ("sweet corn",)
"""Crops whose printed bases are those of a relative (field maize) and thus check nothing."""


@dataclass(frozen=True)
class TableCell:
    """One timed cell of the day table and the days that are predicted for it."""

    crop: str
    cell: DayCell
    predicted: float

    @property
    def whole_days(self) -> float:
        return (self.cell.low + self.cell.high) / 2

    @property
    def miss(self) -> float:
        """Absolute ln of predicted over published days, the recalled decimals where known."""
        known = self.cell.decimal if np.isfinite(self.cell.decimal) else self.whole_days
        return abs(float(np.log(self.predicted / known)))


def cells_of(evidence: Evidence) -> tuple[DayCell, ...]:
    return tuple(cell for cell in evidence.cells if cell.source == DAY_TABLE)


def tabled(least: int = 1) -> dict[str, Evidence]:
    """Evidence of the crops of the day table with at least so many cells."""
    return {name: one for name, one in gather().items() if len(cells_of(one)) >= least}


def fitted_cells() -> list[TableCell]:
    """Every cell beside the catalogue."""
    rows = []
    for name, evidence in tabled(LEAST_CELLS).items():
        cells = cells_of(evidence)
        days = days_to_half(catalogue()[name], [cell.temperature for cell in cells])
        rows += [TableCell(name, cell, float(d)) for cell, d in zip(cells, days, strict=True)]
    return rows


def left_out_cells(*, refit_others: bool = False) -> list[TableCell]:
    """Leave one inside temperature out, fit again with the shape chosen again, and predict it.

    What crops have in common is taken from the *other* crops only: from their fits together with
    this crop, or fitted again without this one ever having been seen (slow).
    """
    crops = tabled()
    together = {shape: fitting.fit_together(shape, crops)[1] for shape in fitting.SHAPES}
    rows = []
    for name in tabled(LEAST_CELLS):
        others = {n: e for n, e in crops.items() if n != name}
        seasons = {n: e.season for n, e in others.items()}
        priors = {
            shape: fitting.fit_together(shape, others, starts=fits)[0]
            if refit_others
            else fitting.common_prior(shape, {n: fits[n] for n in others}, seasons)
            for shape, fits in together.items()
        }
        starts = {shape: fits[name] for shape, fits in together.items()}
        rows += list(_leave_out(crops[name], priors, starts))
    return rows


def _leave_out(
    evidence: Evidence, priors: Mapping[Shape, Mapping[str, Prior]], starts: Mapping[Shape, Fit]
) -> Iterator[TableCell]:
    for cell in evidence.cells[1:-1]:
        fits = {
            shape: fitting.fit_shape(
                evidence, shape, priors[shape][evidence.season],
                cells=[one for one in evidence.cells if one is not cell], start=start.point,
            )
            for shape, start in starts.items()
        }  # fmt: skip
        best = fitting.choose_shape(fits)
        ln_days = fitting.ln_days(best.shape, best.point, [cell.temperature])
        yield TableCell(evidence.crop, cell, float(np.exp(ln_days[0])))


@dataclass(frozen=True)
class HeatSumDays:
    """Days of a published heat sum at one temperature [degC], and of the catalogue.

    ``kept_out`` is false where the sum is the crop's only source and therefore was fitted.
    """

    crop: str
    source: str
    temperature: float
    published: float
    predicted: float
    kept_out: bool

    @property
    def ratio(self) -> float:
        return self.predicted / self.published


def heat_sum_days() -> list[HeatSumDays]:
    """Heat sums of Bierhuizen & Wagenvoort (1974) and Angus et al. (1981) beside the catalogue."""
    return [
        HeatSumDays(
            name, item.source, t, item.total / (t - item.base),
            float(days_to_half(catalogue()[name], t)[0]), item not in one.fitted_sums,
        )
        for name, one in gather().items()
        for item in one.sums
        for t in (15.0, 20.0, 25.0)
        if item.source in PAIRS_KEPT_OUT and t > item.base
    ]  # fmt: skip


@dataclass(frozen=True)
class PrintedBase:
    """Base temperature of the catalogue beside those read in print. [degC]"""

    crop: str
    fitted: float
    printed: tuple[tuple[float, float], ...]

    @property
    def away(self) -> float:
        """Distance from the nearest printed figure, zero inside a printed range. [C]"""
        return min(max(low - self.fitted, self.fitted - high, 0.0) for low, high in self.printed)


def printed_bases() -> list[PrintedBase]:
    """Bases of germination or emergence that were read in print, beside the catalogue."""
    rows = []
    for name, one in gather().items():
        printed = tuple(
            (base.low, base.high)
            for base in one.bases
            if base.verified == "page" and base.stage != "growth"
        )
        if printed and name not in BORROWED_BASES:
            fitted = catalogue()[name].estimate.centre()["t_base_C"]
            rows.append(PrintedBase(name, fitted, printed))
    return rows


def explanations(kind: str) -> dict[str, str]:
    """Words on why the catalogue and a source differ, by crop; ``kind`` is ``pair`` or ``base``."""
    return {r["crop"]: r["words"] for r in reference_rows("disagreements.csv") if r["kind"] == kind}
