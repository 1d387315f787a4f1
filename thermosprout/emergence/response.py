"""How fast seed moves on at a temperature: the linear and the beta response.

Both give progress in degrees [C], so that its integral over days is thermal time [C d]. Of the
linear response that is a published "sum above a base temperature"; the beta response reaches the
degrees above its base at the optimum only, so that its sums are another quantity.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from thermosprout.quantities import FloatArray

Shape = Literal["linear", "beta"]

_NARROWEST_C = 1e-3
"""Least distance from base to optimum and from there to the ceiling: with less, a power of
infinity would be taken of nothing."""


def linear_response(
    temperature: npt.ArrayLike,
    t_base: npt.ArrayLike,
    t_opt: npt.ArrayLike,
    t_ceiling: npt.ArrayLike,
) -> FloatArray:
    """Straight from base to optimum, straight down to the ceiling.

    Parameters
    ----------
    temperature, t_base, t_opt, t_ceiling : array_like
        Broadcast against each other. [degC]

    Returns
    -------
    ndarray
        Effective degrees, zero at or below the base and at or above the ceiling. [C]

    Notes
    -----
    Thermal time after Garcia-Huidobro, Monteith & Squire (1982), J. Exp. Bot. 33:288-296.
    """
    t = np.asarray(temperature, dtype=float)
    base, opt, top = (np.asarray(x, dtype=float) for x in (t_base, t_opt, t_ceiling))
    rising = t - base
    falling = (opt - base) * (top - t) / (top - opt)
    return np.asarray(np.clip(np.minimum(rising, falling), 0.0, None))


def beta_response(
    temperature: npt.ArrayLike,
    t_base: npt.ArrayLike,
    t_opt: npt.ArrayLike,
    t_ceiling: npt.ArrayLike,
    curvature: npt.ArrayLike = 1.0,
) -> FloatArray:
    """Curved response, greatest at the optimum.

    Parameters
    ----------
    temperature, t_base, t_opt, t_ceiling : array_like
        Broadcast against each other. [degC]
    curvature : array_like
        Power of the whole curve; 1 gives the published form.

    Returns
    -------
    ndarray
        Effective degrees: ``t_opt - t_base`` at the optimum, zero outside base and ceiling. [C]

    Notes
    -----
    Yan & Hunt (1999), Annals of Botany 84:607-614, eq. 4 with a base temperature; the power is
    that of the beta function of Yin et al. (1995), Agric. For. Meteorol. 77:1-16.
    """
    t = np.asarray(temperature, dtype=float)
    base, opt, top = (np.asarray(x, dtype=float) for x in (t_base, t_opt, t_ceiling))
    power = np.asarray(curvature, dtype=float)
    rise, fall = np.maximum(opt - base, _NARROWEST_C), np.maximum(top - opt, _NARROWEST_C)
    below = np.clip((t - base) / rise, 0.0, None)
    above = np.clip((top - t) / fall, 0.0, None)
    curve = above * below ** (rise / fall)
    return np.asarray((opt - base) * curve**power)


def response(
    shape: Shape,
    temperature: npt.ArrayLike,
    t_base: npt.ArrayLike,
    t_opt: npt.ArrayLike,
    t_ceiling: npt.ArrayLike,
    curvature: npt.ArrayLike = 1.0,
) -> FloatArray:
    """Response of the named shape; see :func:`linear_response` and :func:`beta_response`."""
    if shape == "linear":
        return linear_response(temperature, t_base, t_opt, t_ceiling)
    return beta_response(temperature, t_base, t_opt, t_ceiling, curvature)


@dataclass(frozen=True, kw_only=True)
class ResponseDraws:
    """Draws of the temperature response, each array of shape (draw,). [degC]"""

    shape: Shape
    t_base: FloatArray
    t_opt: FloatArray
    t_ceiling: FloatArray
    curvature: FloatArray

    @classmethod
    def from_draws(cls, shape: Shape, draws: dict[str, FloatArray]) -> ResponseDraws:
        """Response of parameter draws as an estimate gives them."""
        base = draws["t_base_C"]
        opt = base + draws["opt_gap_C"]
        return cls(
            shape=shape,
            t_base=base,
            t_opt=opt,
            t_ceiling=opt + draws["ceiling_gap_C"],
            curvature=draws["curvature"],
        )

    def at(self, temperature: npt.ArrayLike) -> FloatArray:
        """Response at temperatures that broadcast against (draw, ...). [C]"""
        t = np.asarray(temperature, dtype=float)
        extra = (1,) * max(t.ndim - 1, 0)
        reshape = (-1, *extra)
        return response(
            self.shape,
            t,
            self.t_base.reshape(reshape),
            self.t_opt.reshape(reshape),
            self.t_ceiling.reshape(reshape),
            self.curvature.reshape(reshape),
        )

    @property
    def size(self) -> int:
        """Return the number of draws."""
        return int(self.t_base.size)
