"""The answer of ``window``: every planting day, the sensible ones, and the best."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from zoneinfo import ZoneInfo

import numpy as np
import xarray as xr

from thermosprout.planning.json_values import Document, local_day, rounded
from thermosprout.planning.sensible_days import BestDay, SensibleDays, best_day, sensible_days


@dataclass(frozen=True, kw_only=True)
class WindowAnswer:
    """A sowing window with what it stands on.

    Attributes
    ----------
    dataset : xarray.Dataset, dims (cover, treatment, sowing[, probability])
        From :func:`thermosprout.planning.window.sowing_window`.
    soil : str
        What the soil temperature is, in words.
    notes : tuple of str
        What is assumed of the water.
    """

    dataset: xr.Dataset
    zone: ZoneInfo
    soil: str
    notes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()

    @cached_property
    def sensible(self) -> tuple[SensibleDays, ...]:
        """First and last sensible day of each cover and treatment."""
        return tuple(sensible_days(self.dataset))

    @cached_property
    def best(self) -> BestDay | None:
        """Day with the fewest bed-days per full row."""
        return best_day(self.dataset)

    def to_dict(self, every: int = 1) -> Document:
        """Return the JSON document, with figures of every ``every``-th day."""
        window, zone, best = self.dataset, self.zone, self.best
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
            "soil": {"source": self.soil},
            "sensible": [
                {
                    "cover": found.cover,
                    "treatment": found.treatment,
                    "earliest": local_day(found.earliest, zone),
                    "last": local_day(found.last, zone),
                    "before_that": found.early_reason,
                    "after_that": found.late_reason or None,
                }
                for found in self.sensible
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
            "cautions": list(self.cautions),
            "notes": list(self.notes),
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
