"""What a row needs of a thermal-time clock, and the clock of a constant temperature."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt

from thermosprout.emergence.response_draws import ResponseDraws

FloatArray = npt.NDArray[np.float64]


class Clock(Protocol):
    """What a row needs of a thermal-time clock; hours count from 1970-01-01T00:00 UTC."""

    def cross(self, start_h: float, thermal_time: FloatArray) -> FloatArray:
        """Hour at which each thermal time of shape (draw, k) is reached; inf if it is not."""
        ...

    def progress(self, start_h: float, at_h: FloatArray) -> FloatArray:
        """Thermal time from the start to each hour, shape (draw, hour). [C d]"""
        ...

    def mean_temperature(self, start_h: float, end_h: FloatArray) -> FloatArray:
        """Mean soil temperature from the start to one end per draw, shape (draw,). [degC]"""
        ...

    def end_h(self, start_h: float) -> float:
        """Last hour the clock covers without a hole after the start."""
        ...


@dataclass(frozen=True, kw_only=True)
class ConstantClock:
    """Clock at a constant temperature, as in a dish or a published table."""

    draws: ResponseDraws
    temperature_C: float

    def cross(self, start_h: float, thermal_time: FloatArray) -> FloatArray:
        """See :class:`Clock`."""
        rate = self.draws.at(self.temperature_C)
        with np.errstate(divide="ignore", invalid="ignore"):
            hours = np.where(rate[:, None] > 0, thermal_time / rate[:, None] * 24.0, np.inf)
        return np.asarray(start_h + np.clip(hours, 0.0, None))

    def progress(self, start_h: float, at_h: FloatArray) -> FloatArray:
        """See :class:`Clock`."""
        days = np.clip(np.asarray(at_h, dtype=float) - start_h, 0.0, None) / 24.0
        return np.asarray(self.draws.at(self.temperature_C)[:, None] * days)

    def mean_temperature(self, start_h: float, end_h: FloatArray) -> FloatArray:
        """See :class:`Clock`."""
        return np.full(np.shape(end_h), self.temperature_C)

    def end_h(self, start_h: float) -> float:
        """See :class:`Clock`."""
        return np.inf
