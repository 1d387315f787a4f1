"""Answers about a season as documents: sowing windows, stations, successions and openings."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import xarray as xr

from thermosprout.planning.documents import Document, rounded
from thermosprout.planning.sensible_days import BestDay, SensibleDays
from thermosprout.planning.stations import StationPlan
from thermosprout.planning.succession import Fit, SuccessionSowing


def local_day(stamp: np.datetime64 | None, zone: ZoneInfo) -> str | None:
    """Local date of a UTC instant; None stays None."""
    if stamp is None or np.isnat(stamp):
        return None
    return pd.Timestamp(stamp).tz_localize(UTC).tz_convert(zone).date().isoformat()


def window_document(
    window: xr.Dataset,
    days: Sequence[SensibleDays],
    best: BestDay | None = None,
    *,
    zone: ZoneInfo,
    soil: str,
    every: int = 1,
    notes: tuple[str, ...] = (),
) -> Document:
    """Document of a sowing window; figures of every ``every``-th day."""
    rows: list[Document] = []
    for cover in window["cover"].values:
        for treatment in window["treatment"].values:
            one = window.sel(cover=cover, treatment=treatment)
            rows.extend(_day_rows(one, str(cover), str(treatment), zone, every))
    return {
        "crop": window.attrs["crop"],
        "within_days": window.attrs["within_days"],
        "members": window.attrs["members"],
        "harvest_on": window.attrs["harvest_on"],
        "soil": {"source": soil},
        "sensible": [
            {
                "cover": found.cover,
                "treatment": found.treatment,
                "earliest": local_day(found.earliest, zone),
                "last": local_day(found.last, zone),
                "before_that": found.early_reason,
                "after_that": found.late_reason or None,
            }
            for found in days
        ],
        "best": None
        if best is None
        else {
            "from": local_day(window["sowing"].values[0], zone),
            "cover": best.cover,
            "treatment": best.treatment,
            "planted": local_day(best.day, zone),
            "wait_d": round(best.wait_d, 1),
            "bed_days": round(best.bed_days, 1),
            "stand": round(best.stand, 3),
        },
        "days": rows,
        "notes": list(notes),
    }


def _day_rows(
    one: xr.Dataset, cover: str, treatment: str, zone: ZoneInfo, every: int
) -> list[Document]:
    """Figures of every ``every``-th day of one cover and treatment."""
    stamps = one["sowing"].values
    names = ("p10", "p50", "p90")
    figures = {str(name): one[name].values for name in one.data_vars}

    def share(name: str, day: int) -> float | None:
        if name not in figures or not np.isfinite(figures[name][day]):
            return None
        return round(float(figures[name][day]), 3)

    def points(name: str, day: int) -> dict[str, float | None]:
        return rounded(dict(zip(names, figures[name][day].tolist(), strict=True)), 1)

    return [
        {
            "cover": cover,
            "treatment": treatment,
            "planted": local_day(stamps[day], zone),
            "odds_in_time": share("odds_in_time", day),
            "days_to_half": points("days_to_half", day),
            "stand": share("stand", day),
            "bed_days_to_harvest": points("days_to_harvest", day),
            "frost_risk": share("frost_risk", day),
            "odds_harvest_before_frost": share("odds_harvest_before_frost", day),
        }
        for day in range(0, stamps.size, every)
    ]


def stations_document(
    plan: StationPlan,
    *,
    crop: str,
    seeds_per_g: float | None,
    soil: str | None,
    lot: str | None = None,
    notes: tuple[str, ...] = (),
) -> Document:
    """Document of a choice of seeds per station."""

    def grams(seeds: int) -> float | None:
        return round(seeds / seeds_per_g, 2) if seeds_per_g else None

    choices: list[dict[str, Any]] = [
        {
            "seeds_per_station": choice.seeds,
            "stations_filled": rounded(choice.filled, 4),
            "odds_reached": round(choice.odds_reached, 3),
            "odds_with_luck": round(choice.odds_with_luck, 3),
            "plants_per_station": round(choice.plants_per_station, 2),
            "to_thin_per_station": round(choice.surplus_per_station, 2),
            "thinning_minutes": round(choice.thinning_minutes, 1),
            "seeds_in_all": choice.seeds_in_all,
            "grams": grams(choice.seeds_in_all),
        }
        for choice in plan.choices
    ]
    return {
        "crop": crop,
        "lot": lot,
        "stations": plan.stations,
        "share_wanted": plan.wanted_filled,
        "odds_wanted": plan.confidence,
        "emergence": rounded(plan.emergence, 3),
        "soil": {"source": soil},
        "choices": choices,
        "seeds_per_station": plan.chosen.seeds if plan.chosen else None,
        "notes": list(notes),
    }


def succession_document(
    sowings: Sequence[SuccessionSowing],
    *,
    zone: ZoneInfo,
    crop: str,
    treatment: str,
    aim: str,
    every_d: float,
    asked: int,
    notes: tuple[str, ...] = (),
) -> Document:
    """Document of a succession."""
    return {
        "crop": crop,
        "treatment": treatment,
        "aim": aim,
        "every_days": every_d,
        "sowings_asked": asked,
        "sowings": [
            {
                "planted": local_day(one.sow, zone),
                "days_since_last": None
                if number == 0
                else round(float((one.sow - sowings[number - 1].sow) / np.timedelta64(1, "D")), 1),
                "wanted": local_day(one.target, zone),
                "p10": local_day(one.early, zone),
                "p50": local_day(one.middle, zone),
                "p90": local_day(one.late, zone),
                "off_by_days": round(one.miss_d, 1) + 0.0,
            }
            for number, one in enumerate(sowings)
        ],
        "notes": list(notes),
    }


def openings_document(
    fits: Sequence[Fit], *, zone: ZoneInfo, notes: tuple[str, ...] = ()
) -> Document:
    """Document of crops and treatments for bed openings, best first in each opening."""
    return {
        "openings": [
            {
                "bed": fit.opening.bed,
                "from": local_day(fit.opening.start, zone),
                "until": local_day(fit.opening.end, zone),
                "crop": fit.crop,
                "treatment": fit.treatment,
                "ready_odds": round(fit.ready_odds, 2),
                "spare_days": round(fit.spare_d, 1) if np.isfinite(fit.spare_d) else None,
                "stand": round(fit.stand, 3),
            }
            for fit in fits
        ],
        "notes": list(notes),
    }
