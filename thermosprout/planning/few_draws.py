"""A few draws that stand for a whole estimate under many members."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri
from scipy.stats import qmc

from thermosprout.crops.parameters import NAMES
from thermosprout.emergence.forecast import CropDraws, generator, label
from thermosprout.emergence.response import ResponseDraws

if TYPE_CHECKING:
    from thermosprout.crops.crop import Crop

FloatArray = npt.NDArray[np.float64]

DRAWS_PER_MEMBER = 16
"""Draws under each member where there are many of them; a power of two."""
_CASES = 480
_MOST_DRAWS = 512


def draws_for(members: int) -> int:
    """Draws to take under each member so that odds are smooth: a power of two."""
    wanted = max(_CASES / max(members, 1), DRAWS_PER_MEMBER)
    return int(min(2 ** np.ceil(np.log2(wanted)), _MOST_DRAWS))


@dataclass(frozen=True, kw_only=True)
class FewDraws:
    """A few draws that stand for the whole estimate, taken evenly rather than by chance."""

    crop: CropDraws
    row_speed: FloatArray
    harvest: FloatArray
    viability: FloatArray
    ln_shift: FloatArray
    site: FloatArray

    @classmethod
    def of(
        cls,
        crop: Crop,
        *,
        size: int = DRAWS_PER_MEMBER,
        viability: FloatArray | None = None,
        ln_shift: FloatArray | None = None,
        site_sd_K: float = 0.0,
        seed: int = 0,
    ) -> FewDraws:
        """Scrambled Sobol points through the estimate.

        Parameters
        ----------
        size : int
            A power of two.
        viability, ln_shift : ndarray, optional
            Draws of any number; a few evenly spaced ones of them are taken.
        site_sd_K : float
            What is not known of the site. [K]
        """
        names = len(NAMES)
        engine = qmc.Sobol(
            names + 5, scramble=True, rng=generator(seed, "window", label(crop.estimate))
        )
        uniform = np.clip(engine.random(size), 1e-6, 1 - 1e-6)
        standard = np.asarray(ndtri(uniform))
        values = crop.estimate.from_standard(standard[:, :names])
        alive = np.ones(1) if viability is None else viability
        shift = np.zeros(1) if ln_shift is None else ln_shift
        return cls(
            crop=CropDraws(
                crop=crop, values=values, rates=ResponseDraws.from_draws(crop.response, values)
            ),
            row_speed=values["plot_speed_sd"] * standard[:, names],
            harvest=standard[:, names + 1],
            viability=np.quantile(alive, uniform[:, names + 2]),
            ln_shift=np.quantile(shift, uniform[:, names + 3]),
            site=site_sd_K * standard[:, names + 4],
        )
