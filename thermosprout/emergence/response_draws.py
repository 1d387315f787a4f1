"""The temperature response of many parameter draws at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from thermosprout.emergence.response import Shape, response

FloatArray = npt.NDArray[np.float64]


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
