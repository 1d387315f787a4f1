"""The published effects of soaking and sprouting as cases that the model can be asked for."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from reference_data.build.hierarchy import ALL
from thermosprout.crops.catalogue import find_crop
from thermosprout.emergence.treatments import Handling, Treatment
from thermosprout.files import reference_rows
from thermosprout.planning.options import PLANTING_RADICLE_MM

EVIDENCE_FILE = "presowing_evidence.csv"
FIELD_FILE = "field_stand.csv"

ANY_CROP = "maize"
"""Crop that stands for "17 crops" of a meta-analysis: the commonest of on-farm soaking."""

_USED = ("soak", "soak_dried", "flood", "sprouted")
_DRY = ("dry", "drying", "compacted")
_NOT_SOWN = ("abebe2009",)
"""Seed killed by drying after the soak, which nobody is told to do."""


@dataclass(frozen=True, kw_only=True)
class PublishedEffect:
    """One row of the table that soaking or sprouting as the program knows them can answer.

    Attributes
    ----------
    crop, stands_for : str
        As printed, and the crop of the catalogue that is asked in its place.
    relatives : str
        Group of related crops, ``*`` for all crops.
    measure, kind : str
        ``days`` or ``stand``, and how the figure is given.
    low, high : float
        Range of the figure: for ``direction`` its sign twice; infinite where a side is open.
    bed_C : float
        Temperature of the bed. [degC]
    dry_stand : float or None
        Stand of the control where printed. [1]
    """

    crop: str
    stands_for: str
    relatives: str
    handling: Handling
    measure: str
    kind: str
    low: float
    high: float
    bed_C: float
    dry_stand: float | None
    in_field: bool
    source: str

    @property
    def sprouted(self) -> bool:
        """Whether seed was sprouted, else soaked."""
        return self.handling.treatment is Treatment.PRESPROUTED

    @property
    def sized(self) -> bool:
        """Whether the row gives a size other than "no difference"."""
        return self.kind not in ("direction", "no_difference")

    def bounds(self, days: float, stand: float) -> tuple[float, float]:
        """Range of the effect in days sooner, or in share of the seeds planted.

        Parameters
        ----------
        days, stand : float
            Of the dry row by the model, for effects that are printed as a ratio to it.
        """
        base = self.dry_stand if self.dry_stand is not None else stand
        if self.kind == "time_ratio":
            return (1.0 - self.high) * days, (1.0 - self.low) * days
        if self.kind == "stand_ratio":
            return min((self.low - 1) * base, 1 - base), min((self.high - 1) * base, 1 - base)
        if self.kind == "stand_points":
            return self.low / 100.0, self.high / 100.0
        return self.low, self.high


@cache
def published_effects() -> tuple[PublishedEffect, ...]:
    """All rows that the model can be asked for."""
    return tuple(
        _effect(row)
        for row in reference_rows(EVIDENCE_FILE)
        if row["treatment"] in _USED
        and row["measure"] in ("days", "stand")
        and row["source_id"] not in _NOT_SOWN
    )


def _effect(row: dict[str, str]) -> PublishedEffect:
    low, high = _range(row)
    stands_for = row["as_crop"] or row["crop"]
    every = row["group"] == ALL
    stands_for = ANY_CROP if every else stands_for
    return PublishedEffect(
        crop=ALL if every else row["crop"],
        stands_for=stands_for,
        relatives=row["group"],
        handling=_handling(row, stands_for),
        measure=row["measure"],
        kind=row["kind"],
        low=low,
        high=high,
        bed_C=_bed(row),
        dry_stand=float(row["dry_stand_pct"]) / 100.0 if row["dry_stand_pct"] else None,
        in_field=row["bed"] == "field",
        source=row["source_id"],
    )


def _range(row: dict[str, str]) -> tuple[float, float]:
    """Figure with its range; a low alone is "at least", a high alone "up to"."""
    figure, low, high = (float(row[name]) if row[name] else None for name in _FIGURES)
    if figure is None:
        return (0.0 if low is None else low), (np.inf if high is None else high)
    return (figure if low is None else low), (figure if high is None else high)


_FIGURES = ("figure", "low", "high")


def _bed(row: dict[str, str]) -> float:
    if row["soil_C_used"]:
        return float(row["soil_C_used"])
    low = float(row["soil_C"])
    return 0.5 * (low + float(row["soil_C_high"])) if row["soil_C_high"] else low


def _handling(row: dict[str, str], crop: str) -> Handling:
    """How the seed was handled; a soak of unknown length is the usual one in water of 20 degC."""
    dry = row["moisture"] in _DRY
    if row["treatment"] == "sprouted":
        length = float(row["radicle_mm"]) if row["radicle_mm"] else PLANTING_RADICLE_MM
        return Handling(treatment=Treatment.PRESPROUTED, radicle_mm=length, dry_bed=dry)
    hours = [float(row[name]) for name in ("hours", "hours_high") if row[name]]
    return Handling(
        treatment=Treatment.SOAKED,
        soak_h=float(np.mean(hours)) if hours else find_crop(crop).usual_soak_h,
        water_C=float(row["water_C"]) if row["water_C"] else 20.0,
        dry_bed=dry,
    )
