"""The fitted catalogue beside what was published: its own table, and figures kept out of the fit.

Run as ``python -m reference_data.build.catalogue_check`` for all comparisons as tables.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from reference_data.build.published_evidence import PAIRS_KEPT_OUT, Evidence, gather
from thermosprout.calibration.published import DAY_TABLE, DayCell, days_to_half
from thermosprout.crops.catalogue import catalogue
from thermosprout.emergence.response import Shape
from thermosprout.files import reference_rows

if TYPE_CHECKING:
    from reference_data.build.catalogue_response import Fit, Prior


AGREES_C = 2.0
"""A base temperature agrees with a published one within this. [C]"""

BORROWED_BASES = ("sweet corn",)
"""Crops whose printed bases are those of a relative (field maize) and thus check nothing."""


@dataclass(frozen=True, kw_only=True)
class TableCheck:
    """One cell of the day table beside the fit; ``left_out`` when the fit had not seen it."""

    crop: str
    temperature: float
    days: float
    decimal: float
    predicted: float
    left_out: bool

    @property
    def miss(self) -> float:
        """Absolute ln of predicted over published days, the recalled decimals where known."""
        published = self.decimal if np.isfinite(self.decimal) else self.days
        return abs(float(np.log(self.predicted / published)))

    @property
    def miss_whole_days(self) -> float:
        """The same against the whole days read in print, which are rounded to half a day."""
        return abs(float(np.log(self.predicted / self.days)))

    @property
    def rounds_to_print(self) -> bool:
        """Whether the prediction rounds to the printed day or misses it by one at most."""
        return abs(self.predicted - self.days) <= 1.0


@dataclass(frozen=True, kw_only=True)
class PairCheck:
    """A published heat sum at one temperature beside the catalogue."""

    crop: str
    source: str
    temperature: float
    published: float
    predicted: float
    kept_out: bool

    @property
    def ratio(self) -> float:
        """Predicted over published days."""
        return self.predicted / self.published


@dataclass(frozen=True, kw_only=True)
class BaseCheck:
    """Base temperature of the catalogue beside those read in print. [degC]"""

    crop: str
    fitted: float
    printed: tuple[tuple[float, float], ...]

    @property
    def away(self) -> float:
        """Distance from the nearest printed figure, zero inside a printed range. [C]"""
        return min(max(low - self.fitted, self.fitted - high, 0.0) for low, high in self.printed)

    @property
    def away_from_middle(self) -> float:
        """Distance from the middle of all printed figures. [C]"""
        return abs(self.fitted - float(np.median([(low + high) / 2 for low, high in self.printed])))


def table_check(least_cells: int = 5) -> list[TableCheck]:
    """Every timed cell of the day table, of crops with at least so many, beside the catalogue."""
    rows = []
    for name, cells in _tabled(least_cells):
        predicted = days_to_half(catalogue()[name], [cell.temperature for cell in cells])
        rows += [_check(name, c, float(p), False) for c, p in zip(cells, predicted, strict=True)]
    return rows


def _tabled(least_cells: int) -> Iterator[tuple[str, tuple[DayCell, ...]]]:
    for name, evidence in gather().items():
        cells = tuple(cell for cell in evidence.cells if cell.source == DAY_TABLE)
        if len(cells) >= least_cells:
            yield name, cells


def _check(crop: str, cell: DayCell, predicted: float, left_out: bool) -> TableCheck:
    return TableCheck(
        crop=crop,
        temperature=cell.temperature,
        days=(cell.low + cell.high) / 2,
        decimal=cell.decimal,
        predicted=predicted,
        left_out=left_out,
    )


def leave_one_out(
    crops: Iterable[str] | None = None, *, refit_others: bool = False, least_cells: int = 5
) -> list[TableCheck]:
    """Leave one inside temperature out, fit again with the shape chosen again, and predict it.

    What crops have in common is taken from the *other* crops only.

    Parameters
    ----------
    crops : iterable of str, optional
        Only these; all crops with enough cells by default.
    refit_others : bool
        Fit the other crops again without this one ever having been seen; slow. Otherwise their
        fits are those of the whole catalogue.
    """
    from reference_data.build import catalogue_response as fitting

    tabled = {n: e for n, e in gather().items() if any(c.source == DAY_TABLE for c in e.cells)}
    together = {shape: fitting.fit_together(shape, tabled)[1] for shape in fitting.SHAPES}
    wanted = [n for n, cells in _tabled(least_cells) if crops is None or n in set(crops)]
    rows = []
    for name in wanted:
        others = {n: e for n, e in tabled.items() if n != name}
        seasons = {n: e.season for n, e in others.items()}
        priors = {}
        for shape in fitting.SHAPES:
            if refit_others:
                found = together[shape]
                priors[shape] = fitting.fit_together(shape, others, starts=found)[0]
            else:
                fits = {n: together[shape][n] for n in others}
                priors[shape] = fitting.common_prior(shape, fits, seasons)
        starts = {shape: together[shape][name] for shape in fitting.SHAPES}
        rows += list(_leave_out(tabled[name], priors, starts))
    return rows


def _leave_out(
    evidence: Evidence,
    priors: Mapping[Shape, Mapping[str, Prior]],
    starts: Mapping[Shape, Fit],
) -> Iterator[TableCheck]:
    from reference_data.build import catalogue_response as fitting

    cells = evidence.cells
    for i in range(1, len(cells) - 1):
        kept = (*cells[:i], *cells[i + 1 :])
        fits = {
            shape: fitting.fit_shape(
                evidence,
                shape,
                priors[shape][evidence.season],
                cells=kept,
                start=starts[shape].point,
            )
            for shape in fitting.SHAPES
        }
        chosen = fitting.choose_shape(fits)
        ln_days = fitting.ln_days(chosen.shape, chosen.point, [cells[i].temperature])
        yield _check(evidence.crop, cells[i], float(np.exp(ln_days[0])), True)


def pair_check(temperatures: Sequence[float] = (15.0, 20.0, 25.0)) -> list[PairCheck]:
    """Heat sums of Bierhuizen & Wagenvoort (1974) and Angus et al. (1981) beside the catalogue.

    ``kept_out`` is false where the sum is the crop's only source and therefore was fitted.
    """
    evidence = gather()
    rows = []
    for name, one in evidence.items():
        for item in one.sums:
            if item.source not in PAIRS_KEPT_OUT:
                continue
            for t in temperatures:
                if t <= item.base:
                    continue
                predicted = float(days_to_half(catalogue()[name], t)[0])
                rows.append(
                    PairCheck(
                        crop=name,
                        source=item.source,
                        temperature=t,
                        published=item.total / (t - item.base),
                        predicted=predicted,
                        kept_out=item not in one.fitted_sums,
                    )
                )
    return rows


def base_check() -> list[BaseCheck]:
    """Base temperatures of the catalogue beside those read in print of germination or emergence."""
    rows = []
    for name, one in gather().items():
        printed = tuple(
            (base.low, base.high)
            for base in one.bases
            if base.verified == "page" and base.stage != "growth"
        )
        if printed and name not in BORROWED_BASES:
            fitted = catalogue()[name].estimate.centre()["t_base_C"]
            rows.append(BaseCheck(crop=name, fitted=fitted, printed=printed))
    return rows


def explanations(kind: str) -> dict[str, str]:
    """Words on why the catalogue and a source differ, by crop; ``kind`` is ``pair`` or ``base``."""
    return {r["crop"]: r["words"] for r in reference_rows("disagreements.csv") if r["kind"] == kind}


def summary(rows: Sequence[TableCheck]) -> dict[str, float]:
    """Median and 90th percentile of the misses, against decimals and against whole days."""
    finer = np.array([row.miss for row in rows])
    whole = np.array([row.miss_whole_days for row in rows])
    return {
        "cells": float(len(rows)),
        "median": float(np.median(finer)),
        "p90": float(np.quantile(finer, 0.9)),
        "median_whole_days": float(np.median(whole)),
        "p90_whole_days": float(np.quantile(whole, 0.9)),
        "within_a_day": float(np.mean([row.rounds_to_print for row in rows])),
    }


def pair_report() -> str:
    """Print-ready table of predicted against published days of the heat sums."""
    words = explanations("pair")
    lines = ["crop              source           T C  published  predicted  ratio  fitted"]
    for row in pair_check():
        lines.append(
            f"{row.crop:17s} {row.source:15s} {row.temperature:4.0f}  {row.published:9.1f}  "
            f"{row.predicted:9.1f}  {row.ratio:5.2f}  {'no' if row.kept_out else 'yes'}"
        )
    lines += ["", *(f"{crop}: {text}" for crop, text in words.items())]
    return "\n".join(lines)


def base_report() -> str:
    """Print-ready table of base temperatures against those read in print."""
    words = explanations("base")
    lines = ["crop              fitted  printed"]
    for row in base_check():
        printed = ", ".join(f"{lo:g}" if lo == hi else f"{lo:g}-{hi:g}" for lo, hi in row.printed)
        mark = "" if row.away <= AGREES_C else "  differs"
        lines.append(f"{row.crop:17s} {row.fitted:6.1f}  {printed}{mark}")
    lines += ["", *(f"{crop}: {text}" for crop, text in words.items())]
    return "\n".join(lines)


def main() -> None:
    """Print all comparisons."""
    fitted, left_out = summary(table_check()), summary(leave_one_out())
    lines = ["day table, |ln(predicted / published days)|"]
    for label, figures in (("fitted", fitted), ("left out", left_out)):
        lines.append(
            f"{label:9s} {figures['cells']:.0f} cells  median {figures['median']:.3f}  90th "
            f"percentile {figures['p90']:.3f}  (whole days: {figures['median_whole_days']:.3f}, "
            f"{figures['p90_whole_days']:.3f}; within a day: {figures['within_a_day']:.0%})"
        )
    sys.stdout.write("\n".join([*lines, "", base_report(), "", pair_report(), ""]))


if __name__ == "__main__":
    main()
