"""Coordinates in which a fit is nearly normal: speed where the records were, not thermal time.

Records pin the time to emergence at the temperatures they saw. A lower base temperature with a
longer thermal time explains them as well, along a curved ridge. Taking the logarithm of the
response at those temperatures off the logarithm of thermal time straightens the ridge, and
leaves volumes as they are.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from thermosprout.arrays import FloatArray
from thermosprout.calibration.layers import Layers
from thermosprout.calibration.plots import Plot
from thermosprout.calibration.predict import Model
from thermosprout.crops.crop import ResponseShape
from thermosprout.crops.parameters import PARAMETERS
from thermosprout.emergence.response import ResponseDraws

IntArray = npt.NDArray[np.intp]

THERMAL = ("t_base_C", "opt_gap_C", "ceiling_gap_C", "curvature")

_BIN_C = 1.0
_STEP = 1e-3
_LEAST_RATE = 0.02


@dataclass(frozen=True, kw_only=True)
class Shear:
    """Shift of the entry of thermal time by the response at a mix of temperatures.

    Attributes
    ----------
    temperatures, shares : ndarray, shape (bin,)
        What the plots saw before their seedlings came; shares sum to one. [degC], [1]
    thermal : ndarray of int, shape (4,)
        Entries of the crop's response.
    target : int
        Entry of the crop's thermal time.
    """

    response: ResponseShape
    temperatures: FloatArray
    shares: FloatArray
    thermal: IntArray
    target: int

    def shift(self, vectors: FloatArray) -> FloatArray:
        """Logarithm of the mean response of vectors, shape (draw,)."""
        values = {
            name: PARAMETERS[name].natural(vectors[:, entry])
            for name, entry in zip(THERMAL, self.thermal, strict=True)
        }
        rates = ResponseDraws.from_draws(self.response, values).at(self.temperatures[None, :])
        return np.asarray(np.log(rates @ self.shares + _LEAST_RATE))

    def slope(self, vector: FloatArray) -> FloatArray:
        """Slope of :meth:`shift` with each entry, shape (entry,)."""
        steps = np.repeat(vector[None], 2 * self.thermal.size, axis=0)
        rows = np.arange(self.thermal.size)
        steps[rows, self.thermal] += _STEP
        steps[rows + self.thermal.size, self.thermal] -= _STEP
        up, down = np.split(self.shift(steps), 2)
        slope = np.zeros(vector.size)
        slope[self.thermal] = (up - down) / (2 * _STEP)
        return slope


def shear_of(model: Model) -> Shear:
    """Shear for the temperatures that the plots of a model saw."""
    layers = model.layers
    temperatures, shares = _seen(model)
    return Shear(
        response=model.crop.response,
        temperatures=temperatures,
        shares=shares,
        thermal=np.array([_entry(layers, name) for name in THERMAL], dtype=np.intp),
        target=_entry(layers, "thermal_time_50_Cd"),
    )


def _entry(layers: Layers, name: str) -> int:
    return layers.names.index(f"crop:{name}")


def _seen(model: Model) -> tuple[FloatArray, FloatArray]:
    """Histogram of temperature from planting to the middle of emergence, plots weighing alike."""
    values: list[FloatArray] = []
    weights: list[FloatArray] = []
    for plot in model.plots:
        seen = model.temperature(plot, middle_h(plot))
        values.append(seen)
        weights.append(np.full(seen.size, np.sqrt(1.0 + plot.emerged) / seen.size))
    bins = np.round(np.concatenate(values) / _BIN_C)
    places, index = np.unique(bins, return_inverse=True)
    mass = np.bincount(index, np.concatenate(weights))
    return places * _BIN_C, mass / mass.sum()


def middle_h(plot: Plot) -> float:
    """Hour by which half of the seedlings seen had come; the last look where none came."""
    if plot.noted_h is not None:
        return 0.5 * (plot.noted_h[0] + plot.noted_h[1])
    if plot.emerged == 0:
        return plot.last_h
    return float(plot.hours[np.searchsorted(plot.new.cumsum(), 0.5 * plot.emerged)])
