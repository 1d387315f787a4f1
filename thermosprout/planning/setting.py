"""The question every plan answers: one crop from one lot, in one bed."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from thermosprout.crops.crop import Crop
from thermosprout.emergence.forecast import DRAWS, CropDraws, RowForecast, Sowing, forecast_row
from thermosprout.emergence.thermal_time import Clock, ConstantClock
from thermosprout.emergence.treatments import Handling, Treatment
from thermosprout.planning.harvest import ConstantGrowth, Growth, HarvestNeed

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Setting:
    """One crop, lot and bed, with the draws that all its options share.

    Attributes
    ----------
    draws : CropDraws
        Parameter draws; the same for every option, so that differences are paired.
    clock : Clock
        Thermal-time clock of these draws at seed depth.
    viability, ln_shift : ndarray, shape (draw,)
        Live share of the lot and the lot's shift of ln thermal time.
    depth_cm : float
        Sowing depth. [cm]
    need, growth : HarvestNeed, Growth
        Thermal time to first harvest, and the air temperature it runs on.
    dressed : bool
        The seed carries a dressing, so it is neither soaked nor handled wet.
    seed : int
        Of the random numbers.
    """

    draws: CropDraws
    clock: Clock
    viability: FloatArray
    ln_shift: FloatArray
    depth_cm: float
    need: HarvestNeed
    growth: Growth
    dressed: bool = False
    seed: int = 0
    notes: tuple[str, ...] = field(default=())

    @property
    def crop(self) -> Crop:
        """Return the crop."""
        return self.draws.crop

    @property
    def size(self) -> int:
        """Return the number of draws."""
        return self.draws.rates.size

    @classmethod
    def constant(
        cls,
        crop: Crop,
        temperature_C: float,
        *,
        depth_cm: float = 1.27,
        air_C: float | None = None,
        viability: FloatArray | None = None,
        ln_shift: FloatArray | None = None,
        size: int = DRAWS,
        seed: int = 0,
    ) -> Setting:
        """Bed at a constant temperature; growth runs on it too unless the air is given. [degC]"""
        draws = CropDraws.of(crop, size, seed)
        need = HarvestNeed.of(crop, size, seed)
        growth = ConstantGrowth(
            temperature_C=temperature_C if air_C is None else air_C, cardinals_C=need.cardinals_C
        )
        return cls(
            draws=draws,
            clock=ConstantClock(draws=draws.rates, temperature_C=temperature_C),
            viability=np.ones(size) if viability is None else viability,
            ln_shift=np.zeros(size) if ln_shift is None else ln_shift,
            depth_cm=depth_cm,
            need=need,
            growth=growth,
            seed=seed,
        )

    def forecast(
        self, handling: Handling, planted_h: float, *, seeds: int = 100, row: str = "planned"
    ) -> RowForecast:
        """Forecast one way of sowing; rows of one name share their luck with the ground."""
        waits = {
            Treatment.DIRECT: 0.0,
            Treatment.SOAKED: handling.soak_h,
            Treatment.PRESPROUTED: handling.sprout_h,
        }
        sowing = Sowing(
            row=row,
            crop=self.crop,
            handling=handling,
            started_h=planted_h - waits[handling.treatment],
            planted_h=planted_h,
            depth_cm=self.depth_cm,
            seeds_planted=seeds,
        )
        return forecast_row(
            sowing,
            self.draws,
            self.clock,
            viability=self.viability,
            ln_shift=self.ln_shift,
            seed=self.seed,
        )
