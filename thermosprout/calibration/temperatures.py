"""Which temperatures the plots saw, and whether they can tell a base temperature."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from thermosprout.arrays import FloatArray
from thermosprout.calibration.plots import Plot
from thermosprout.calibration.predict import Model

NARROW_C = 5.0
"""Below this range of mean temperatures a base temperature is not reported (common practice, no
source): the line from the plots back to no progress is longer than the plots lie apart."""

_ALIKE_C = 1.0


@dataclass(frozen=True, kw_only=True)
class Temperatures:
    """Mean temperature of each plot in which anything came up, from planting to half of it.

    Attributes
    ----------
    means : ndarray, shape (plot,)
        [degC]
    plots_at : tuple of (float, int)
        Temperatures a degree or more apart, and how many plots were at each.
    """

    means: FloatArray
    plots_at: tuple[tuple[float, int], ...]

    @property
    def low(self) -> float:
        """Lowest mean. [degC]"""
        return float(self.means.min()) if self.means.size else np.nan

    @property
    def high(self) -> float:
        """Highest mean. [degC]"""
        return float(self.means.max()) if self.means.size else np.nan

    @property
    def wide_enough(self) -> bool:
        """Whether the range can tell a base temperature."""
        return self.means.size > 1 and self.high - self.low >= NARROW_C


def temperatures_of(model: Model) -> Temperatures:
    """Temperatures that the plots of a model saw."""
    means = np.array(
        [
            float(model.temperature(plot, middle_h(plot)).mean())
            for plot in model.plots
            if plot.emerged > 0 or plot.noted_h is not None
        ]
    )
    groups: list[tuple[float, int]] = []
    for mean in np.sort(means):
        if groups and mean - groups[-1][0] < _ALIKE_C:
            groups[-1] = (groups[-1][0], groups[-1][1] + 1)
        else:
            groups.append((float(mean), 1))
    return Temperatures(means=means, plots_at=tuple(groups))


def middle_h(plot: Plot) -> float:
    """Hour by which half of the seedlings seen had come; the last look where none came."""
    if plot.noted_h is not None:
        return 0.5 * (plot.noted_h[0] + plot.noted_h[1])
    if plot.emerged == 0:
        return plot.last_h
    return float(plot.hours[np.searchsorted(plot.new.cumsum(), 0.5 * plot.emerged)])
