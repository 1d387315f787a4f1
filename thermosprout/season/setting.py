"""A question about one sowing, what it names, and the draws that it is answered with."""

from __future__ import annotations

from dataclasses import dataclass, replace

from thermosprout.crops.crop import Crop
from thermosprout.crops.seed_lots import SeedLot
from thermosprout.emergence.forecast import (
    CropDraws,
    DaysForecast,
    RowForecast,
    Sowing,
    forecast_days,
    forecast_row,
)
from thermosprout.emergence.thermal_time import Clock
from thermosprout.emergence.treatments import Handling
from thermosprout.quantities import FloatArray

MOIST = "Assumes a moist seedbed."
"""What is said of the water where nothing is known of it."""

DRY_AT_SOWING = (
    "The bed is dry when the seed goes in: soaked seed brings some of the water that the bed "
    "lacks, and sprouts lose most of their lead."
)


@dataclass(frozen=True, kw_only=True)
class Question:
    """One sowing; what is empty is the season's, the bed's or the crop's usual.

    Attributes
    ----------
    crop : str or Crop
        Name by which the season or the catalogue knows it; the lot's when empty.
    variety : str, optional
        Of the row, where it says more than the lot.
    lot : str or SeedLot
        Id of a lot of the season, or a lot.
    bed, cover : str
        Bed of the season, and a cover that is not the bed's own.
    depth_cm : float, optional
        Sowing depth. [cm]
    dry_bed : bool
        The bed is dry when the seed goes in.
    """

    crop: str | Crop = ""
    variety: str | None = None
    lot: str | SeedLot = ""
    bed: str = ""
    cover: str = ""
    depth_cm: float | None = None
    dry_bed: bool = False

    @property
    def lot_name(self) -> str | None:
        """Name of the lot, where one was named."""
        return self.lot if isinstance(self.lot, str) and self.lot else None


@dataclass(frozen=True, kw_only=True)
class Case:
    """A question with everything in its place; the crop carries the estimate of variety and lot.

    Attributes
    ----------
    lot : SeedLot or None
        None where no lot was named: then the seed is as is usual for the crop.
    cover : str
        "none" for the open bed.
    """

    crop: Crop
    lot: SeedLot | None
    bed: str | None
    cover: str
    depth_cm: float
    dry_bed: bool = False

    @property
    def dressed(self) -> bool:
        """Whether the seed carries a dressing, so that it is neither soaked nor handled wet."""
        return self.lot is not None and self.lot.dressed


@dataclass(frozen=True, kw_only=True)
class Setting:
    """A case with the draws that all ways of sowing it share, so that differences are paired.

    Attributes
    ----------
    draws : CropDraws
        Parameter draws.
    clock : Clock
        Thermal-time clock of these draws at seed depth.
    viability, ln_shift : ndarray, shape (draw,)
        Live share of the lot and the lot's shift of ln thermal time.
    depth_cm : float
        Sowing depth. [cm]
    soil, water : str
        What the temperature is, and what is assumed of the water, in words.
    dressed : bool
        The seed carries a dressing, so it is neither soaked nor handled wet.
    dry_bed : bool
        The bed is dry when the seed goes in.
    seed : int
        Of the random numbers.
    luck : str
        Sowings of one name share their luck with the ground; a second sowing has its own.
    """

    draws: CropDraws
    clock: Clock
    viability: FloatArray
    ln_shift: FloatArray
    depth_cm: float
    soil: str = ""
    water: str = MOIST
    dressed: bool = False
    dry_bed: bool = False
    seed: int = 0
    luck: str = ""

    @property
    def crop(self) -> Crop:
        """Return the crop."""
        return self.draws.crop

    @property
    def size(self) -> int:
        """Return the number of draws."""
        return self.draws.rates.size

    def forecast(
        self, handling: Handling, planted_h: float, *, seeds: int = 100, row: str = "planned"
    ) -> RowForecast:
        """Forecast one way of sowing."""
        return self.row(
            Sowing(
                row=row,
                crop=self.crop,
                handling=handling,
                started_h=planted_h - handling.lead_h,
                planted_h=planted_h,
                depth_cm=self.depth_cm,
                seeds_planted=seeds,
            )
        )

    def days(self, handling: Handling, planted_h: FloatArray, *, seeds: int = 100) -> DaysForecast:
        """Forecast one way of sowing on each of many days, shape (day,)."""
        return forecast_days(
            self.draws,
            self.clock,
            replace(handling, dry_bed=self.dry_bed or handling.dry_bed),
            planted_h=planted_h,
            depth_cm=self.depth_cm,
            seeds=seeds,
            viability=self.viability,
            ln_shift=self.ln_shift,
            seed=self.seed,
        )

    def row(self, sowing: Sowing) -> RowForecast:
        """Forecast a sowing of which everything is known.

        Raises
        ------
        CoverageError
            When the soil temperature does not hold the day of planting.
        """
        dry = self.dry_bed or sowing.handling.dry_bed
        return forecast_row(
            replace(
                sowing,
                crop=self.crop,
                luck=self.luck,
                handling=replace(sowing.handling, dry_bed=dry),
            ),
            self.draws,
            self.clock,
            viability=self.viability,
            ln_shift=self.ln_shift,
            seed=self.seed,
        )
