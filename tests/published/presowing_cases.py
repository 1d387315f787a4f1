"""The model asked for each published effect, with what was fitted without that effect's source."""

from __future__ import annotations

import csv
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np

from reference_data.build.handling import LEFT_OUT_FILE
from reference_data.build.presowing_rows import PublishedEffect, published_effects
from thermosprout.crops.catalogue import find_crop
from thermosprout.crops.crop import Crop
from thermosprout.crops.estimate import NAMES, PARAMETERS
from thermosprout.crops.seed_lots import SeedLot, viability_draws
from thermosprout.emergence.forecast import RowForecast, forecast_constant
from thermosprout.emergence.treatments import Handling
from thermosprout.files import reference_file

DRAWS = 400
REPLICATES = 4
SEEN = {"days": 0.5, "stand": 0.05}
"""What a trial of four replicates sees at least (assumption)."""


@dataclass(frozen=True, kw_only=True)
class Case:
    """One published effect and the answer: days sooner, or share of the seeds planted."""

    published: PublishedEffect
    low: float
    high: float
    p10: float
    p50: float
    p90: float

    @property
    def nil(self) -> bool:
        return self.published.kind == "no_difference"

    @property
    def middle(self) -> float:
        """Printed effect; the bound where only one is printed."""
        inside = [end for end in (self.low, self.high) if np.isfinite(end)]
        return float(np.mean(inside))

    @property
    def sign_right(self) -> bool:
        """Sign of the effect; of "no difference" that it is called too small to see."""
        if self.nil:
            return abs(self.p50) < SEEN[self.published.measure]
        return bool(np.sign(self.p50) == np.sign(self.middle))

    @property
    def inside(self) -> bool:
        return self.p10 <= self.high and self.p90 >= self.low

    @property
    def miss(self) -> float:
        """Distance of the middle of the answer from the printed range."""
        return max(self.low - self.p50, self.p50 - self.high, 0.0)

    @property
    def good_gain(self) -> float:
        """Error as a multiple of what is allowed: 35 % of the gain, or one day."""
        return min(self.miss / (0.35 * abs(self.middle)), self.miss / 1.0)


@cache
def left_out_cases() -> tuple[Case, ...]:
    """Every published effect with the answer of a model that has not seen its source."""
    text = reference_file(LEFT_OUT_FILE).read_text(encoding="utf-8")
    figures: dict[tuple[str, str, str], dict[str, tuple[float, float]]] = {}
    for row in csv.DictReader(text.splitlines()):
        key = (row["left_out"], row["crop"], row["stands_for"])
        figures.setdefault(key, {})[row["parameter"]] = float(row["value"]), float(row["spread"])
    cases = []
    answers: dict[tuple[object, ...], tuple[np.ndarray, np.ndarray, float, float]] = {}
    for one in published_effects():
        key = (one.source, one.crop, one.stands_for)
        crop = with_figures(find_crop(one.stands_for), figures[key])
        asked = (key, one.handling, one.bed_C)
        if asked not in answers:
            answers[asked] = answer(crop, one)
        days, stand, dry_days, dry_stand = answers[asked]
        cases.append(judged(one, days if one.measure == "days" else stand, dry_days, dry_stand))
    return tuple(cases)


@cache
def earlier_cases() -> tuple[Case, ...]:
    """The same effects with the answers of the model of November 2026, before any of this.

    Its soak gave a credit up to uptake and never a better stand; figures by its own commands.
    """
    path = Path(__file__).with_name("presowing_earlier_model.csv")
    rows = list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))
    cases = []
    for one, row in zip(published_effects(), rows, strict=True):
        assert (row["source"], row["measure"]) == (one.source, one.measure)
        scale = 1.0 if one.measure == "days" else 0.01
        low, high = one.bounds(float(row["dry_days"]), 0.01 * float(row["dry_pct"]))
        p10, p50, p90 = (scale * float(row[name]) for name in ("p10", "p50", "p90"))
        cases.append(Case(published=one, low=low, high=high, p10=p10, p50=p50, p90=p90))
    return tuple(cases)


def with_figures(crop: Crop, figures: dict[str, tuple[float, float]]) -> Crop:
    """Crop with other values and spreads of its handling parameters."""
    mean, covariance = crop.estimate.mean.copy(), crop.estimate.covariance.copy()
    for name, (value, spread) in figures.items():
        index = NAMES.index(name)
        mean[index] = float(PARAMETERS[name].transform(value))
        covariance[index, :] = covariance[:, index] = 0.0
        covariance[index, index] = spread**2
    return replace(crop, estimate=replace(crop.estimate, mean=mean, covariance=covariance))


def answer(crop: Crop, one: PublishedEffect) -> tuple[np.ndarray, np.ndarray, float, float]:
    """Draws of the effect in days and in share with the error of a trial, and of the dry row."""
    rng = np.random.default_rng(1)
    viability = viability_draws(SeedLot(id="usual", crop=crop.name), crop, DRAWS, rng)
    dry, treated = (
        forecast_constant(crop, one.bed_C, handling=handling, viability=viability, size=DRAWS)
        for handling in (Handling(), one.handling)
    )
    error = np.sqrt(2.0 / REPLICATES) * rng.standard_normal((2, DRAWS))
    values = dry.draws.values
    half = half_d(dry)
    with np.errstate(invalid="ignore"):
        days = half - half_d(treated)
    days = days + error[0] * values["plot_speed_sd"] * half
    share = dry.share
    plots = np.sqrt(share * (1.0 - share) * values["plot_stand_rho"])
    stand = treated.share - share + error[1] * plots
    return days, stand, float(np.nanmedian(half)), float(np.median(share))


def half_d(row: RowForecast) -> np.ndarray:
    """Days to half emergence, without the luck of a small row."""
    needed = row.state.needed(np.full((DRAWS, 1), 0.5))
    return row.clock.cross(0.0, needed)[:, 0] / 24.0


def judged(one: PublishedEffect, draws: np.ndarray, days: float, stand: float) -> Case:
    low, high = one.bounds(days, stand)
    p10, p50, p90 = (float(q) for q in np.nanquantile(draws, [0.1, 0.5, 0.9]))
    return Case(published=one, low=low, high=high, p10=p10, p50=p50, p90=p90)
