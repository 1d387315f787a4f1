"""An invented crop and invented growers for the tests of calibration."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from thermosprout.calibration.plots import Plot
from thermosprout.crops.crop import Crop
from thermosprout.crops.estimate import Estimate
from thermosprout.emergence.forecast import CropDraws, Sowing, forecast_row
from thermosprout.emergence.response import ResponseDraws
from thermosprout.emergence.thermal_time import ThermalClock
from thermosprout.emergence.treatments import Handling
from thermosprout.soil.series import hours_since_epoch, soil_series
from thermosprout.trials.records.values import REQUIRED


def plain_crop(name: str = "beetroot", estimate: Estimate | None = None, **changed) -> Crop:
    """A cool-season crop that is neither chilled nor harmed by soaking."""
    facts = {
        "name": name,
        "latin_name": "",
        "response": "beta",
        "response_reason": "invented",
        "estimate": estimate or Estimate.generic(name),
        "stand_low_C": 2.0,
        "stand_low_width_C": 1.0,
        "stand_high_C": 35.0,
        "stand_high_width_C": 1.5,
        "chilling_sensitive": False,
        "chilling_limit_C": 5.0,
        "harmed_by_soaking": False,
        "safe_soak_h": 24.0,
        "tender": False,
        "season": "cool",
        "seed_size": "medium",
    }
    return Crop(**(facts | changed))


def spring(days: int = 120, seed: int = 0, start: str = "2025-03-20", site_C: float = 0.0):
    """Invented hourly soil temperature of a spring: warming, a daily wave, spells of weather."""
    rng = np.random.default_rng(seed)
    hour = np.arange(24 * days)
    spells = np.zeros(days + 1)
    for day in range(1, days + 1):
        spells[day] = 0.8 * spells[day - 1] + rng.normal(0.0, 1.2)
    weather = np.interp(hour / 24.0, np.arange(days + 1), spells)
    wave = 3.5 * np.sin(2 * np.pi * (hour - 10) / 24.0)
    values = site_C + 7.0 + 0.12 * hour / 24.0 + weather + wave
    time = np.datetime64(start) + hour * np.timedelta64(1, "h")
    return soil_series(time, values, depth_cm=2.0, source="invented")


def first_hour(series) -> float:
    return float(hours_since_epoch(series["time"].values[:1])[0])


@dataclass(frozen=True, kw_only=True)
class Planting:
    """Plots of one treatment planted on one day."""

    day: float
    plots: int = 2
    seeds: int = 40
    depth_cm: float = 2.0
    handling: Handling = field(default_factory=Handling)
    every_d: float = 2.0
    inspections: int = 20
    variety: str | None = None
    seed_lot: str | None = None


def grow(crop, truth, series, plantings, rng, *, viability: float = 0.9) -> list[Plot]:
    """Simulate plots for one true parameter vector, with the forecast's model and counts."""
    plots = []
    for planting in plantings:
        size = planting.plots
        values = {name: np.full(size, float(value[0])) for name, value in truth.items()}
        rates = ResponseDraws.from_draws(crop.response, values)
        draws = CropDraws(crop=crop, values=values, rates=rates)
        planted = first_hour(series) + 24.0 * planting.day
        clock = ThermalClock(series, rates)
        sowing = Sowing(
            row=f"{planting.day}-{planting.handling.treatment}", crop=crop,
            handling=planting.handling, started_h=planted, planted_h=planted,
            depth_cm=planting.depth_cm, seeds_planted=planting.seeds,
        )  # fmt: skip
        row = forecast_row(
            sowing, draws, clock, viability=np.full(size, viability), ln_shift=np.zeros(size),
            seed=int(rng.integers(1 << 31)),
        )  # fmt: skip
        chance = rng.random((size, planting.seeds))
        times = clock.cross(planted, row.state.needed(chance))
        looks = planted + 24.0 * planting.every_d * np.arange(1, planting.inspections + 1)
        for index in range(size):
            mine = times[index, : row.seedlings[index]]
            counts = (mine[:, None] <= looks).sum(axis=0)
            plots.append(
                Plot(
                    name=f"p{len(plots)}",
                    treatment=planting.handling.treatment.value,
                    handling=planting.handling,
                    planted_h=planted,
                    depth_cm=planting.depth_cm,
                    seeds=planting.seeds,
                    hours=looks,
                    new=np.diff(counts, prepend=0.0),
                    viability=viability,
                    variety=planting.variety,
                    seed_lot=planting.seed_lot,
                )
            )
    return plots


def write_records(plots, path: Path) -> Path:
    """Write plots as a records file; times are UTC."""

    def stamp(hour: float) -> str:
        return f"{np.datetime64(round(hour * 60), 'm')}Z"

    lines = [",".join((*REQUIRED, "temperature_C"))]
    for plot in plots:
        lead = plot.handling.soak_h or plot.handling.sprout_h
        for hour, emerged in zip(plot.hours, plot.new.cumsum(), strict=True):
            constant = "" if plot.constant_C is None else f"{plot.constant_C:g}"
            lines.append(
                f"{plot.name},1,{plot.variety or 'x'},{plot.seed_lot or 'x'},{plot.treatment},"
                f"{stamp(plot.planted_h - lead)},{stamp(plot.planted_h)},{plot.seeds},"
                f"{plot.seeds},{0 if plot.dish else plot.depth_cm:g},{stamp(hour)},"
                f"{emerged:.0f},{constant}"
            )
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def write_soil(series, path: Path) -> Path:
    """Write a series as a soil file."""
    rows = zip(series["time"].values, series.values, strict=True)
    text = "".join(f"{str(time)[:16]}Z,{value:.3f}\n" for time, value in rows)
    path.write_text("time_utc,soil_temp_2cm_C\n" + text, encoding="utf-8")
    return path
