"""Coordinates in which a fit is nearly normal: speed where the records were, not thermal time.

Records pin the time to emergence at the temperatures they saw. A lower base temperature with a
longer thermal time explains them as well, along a curved ridge. Taking the logarithm of the
response at those temperatures off the logarithm of thermal time straightens the ridge, and
leaves volumes as they are.

What is minimised: likelihood and prior over scaled coordinates, with gradient and curvature.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from thermosprout.arrays import FloatArray
from thermosprout.calibration.hierarchy import Layers
from thermosprout.calibration.likelihood import Likelihood
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


_GRADIENT_STEP = 2e-3
_TRY_STEP = 0.1
_UNMOVED = 0.03


@dataclass(frozen=True, kw_only=True)
class Problem:
    """Vectors of the layers as ``origin + root @ w``, sheared.

    Attributes
    ----------
    origin : ndarray, shape (entry,)
    root : ndarray, shape (entry, coordinate)
        With a prior, a root of its covariance; without, one column per free entry.
    prior : bool
        Whether the vectors have a normal prior with that origin and root.
    shear : Shear
        Leaves the vector at the origin as it is.
    """

    likelihood: Likelihood
    origin: FloatArray
    root: FloatArray
    prior: bool
    shear: Shear

    @property
    def size(self) -> int:
        """Return the number of coordinates."""
        return int(self.root.shape[1])

    def vectors(self, w: FloatArray) -> FloatArray:
        """Coordinates of shape (draw, coordinate) to vectors of the layers."""
        flat = self.origin + w @ self.root.T
        flat[:, self.shear.target] += self.shear.shift(flat) - self._start
        return np.asarray(flat)

    @cached_property
    def _start(self) -> float:
        return float(self.shear.shift(self.origin[None])[0])

    @cached_property
    def _inverse(self) -> FloatArray:
        return np.asarray(np.linalg.pinv(self.root))

    def jacobian(self, w: FloatArray) -> FloatArray:
        """Slope of the vector with the coordinates, shape (entry, coordinate)."""
        slope = self.shear.slope(self.origin + self.root @ w)
        jacobian = self.root.copy()
        jacobian[self.shear.target] += slope @ self.root
        return jacobian

    def log_prior(self, w: FloatArray) -> FloatArray:
        """Log-density of the prior up to a constant, shape (draw,)."""
        if not self.prior:
            return np.zeros(w.shape[0])
        plain = (self.vectors(w) - self.origin) @ self._inverse.T
        return np.asarray(-0.5 * np.square(plain).sum(axis=-1))

    def log_likelihood(self, w: FloatArray) -> FloatArray:
        """Log-likelihood of all plots, shape (draw,)."""
        return np.asarray(self.likelihood.plots(self.vectors(w)).sum(axis=1))

    def log_posterior(self, w: FloatArray) -> FloatArray:
        """Sum of the two, shape (draw,)."""
        return self.log_likelihood(w) + self.log_prior(w)

    def _units(self) -> FloatArray:
        """Step unit of each parameter: its prior sd."""
        estimate = self.likelihood.model.layers.estimate
        return np.sqrt(np.maximum(np.diag(estimate.covariance), 1e-8))

    def _moved(self) -> IntArray:
        """Parameters that some coordinate moves."""
        maps = self.likelihood.model.layers.maps
        touched = np.abs(np.einsum("cpe,ek->cpk", maps, self.root)).sum(axis=(0, 2))
        return np.flatnonzero(touched > 1e-12)

    def value_and_gradient(self, w: FloatArray) -> tuple[float, FloatArray]:
        """Negative log-posterior at one point and its gradient.

        All parameters are stepped both ways in one pass over the plots; stepping the
        parameters of all cells together gives the slope of each plot with its own.
        """
        layers = self.likelihood.model.layers
        here = layers.parameters(self.vectors(w[None]))
        moved, units = self._moved(), self._units()
        steps = np.zeros((1 + 2 * moved.size, here.shape[2]))
        rows = np.arange(moved.size)
        steps[1 + rows, moved] = _GRADIENT_STEP * units[moved]
        steps[1 + moved.size + rows, moved] = -_GRADIENT_STEP * units[moved]
        nodes = self.likelihood.nodes(here)
        logs = self.likelihood.plots_of_cells(here + steps[:, None, :], nodes)
        slopes = np.zeros((here.shape[2], logs.shape[1]))
        slopes[moved] = (logs[1 : 1 + moved.size] - logs[1 + moved.size :]) / (
            2 * _GRADIENT_STEP * units[moved, None]
        )
        by_cell = self._by_cell(slopes)
        slope = np.einsum("cpe,pc->e", layers.maps, by_cell)
        if self.prior:
            plain = self._inverse @ (self.vectors(w[None])[0] - self.origin)
            slope = slope - self._inverse.T @ plain
        value = float(logs[0].sum() + self.log_prior(w[None])[0])
        return -value, -(self.jacobian(w).T @ slope)

    def _by_cell(self, per_plot: FloatArray) -> FloatArray:
        """Sum the last axis, plots, within cells."""
        layers = self.likelihood.model.layers
        member = np.eye(len(layers.cells))[layers.plot_cell]
        return np.asarray(per_plot @ member)

    def curvature(self, w: FloatArray) -> FloatArray:
        """Hessian of the negative log-posterior, shape (coordinate, coordinate).

        Second differences with steps of about half a standard deviation, so that the fine
        grain of the soil's temperature bins does not show. Coordinates that the records leave
        as they were are not paired.
        """
        size = self.size
        first = self._second(w, np.full(size, _TRY_STEP))
        steps = np.clip(0.5 / np.sqrt(np.maximum(first, 0.25)), 0.01, 0.7)
        diagonal = self._second(w, steps)
        hessian = np.diag(diagonal)
        moved = np.flatnonzero(np.abs(diagonal - float(self.prior)) > _UNMOVED)
        rows, columns = (moved[index] for index in np.triu_indices(moved.size, 1))
        if rows.size == 0:
            return hessian
        shift = np.zeros((4 * rows.size, size))
        at = np.arange(rows.size)
        for block, (one, other) in enumerate(((1, 1), (1, -1), (-1, 1), (-1, -1))):
            shift[block * rows.size + at, rows] = one * steps[rows]
            shift[block * rows.size + at, columns] = other * steps[columns]
        both, mixed, mixed_too, neither = np.split(self.log_posterior(w + shift), 4)
        cross = (both - mixed - mixed_too + neither) / (4 * steps[rows] * steps[columns])
        hessian[rows, columns] = hessian[columns, rows] = -cross
        return hessian

    def _second(self, w: FloatArray, steps: FloatArray) -> FloatArray:
        """Second differences along each coordinate, shape (coordinate,)."""
        shift = np.diag(steps)
        logs = self.log_posterior(np.concatenate([w[None], w + shift, w - shift]))
        up, down = np.split(logs[1:], 2)
        return np.asarray(-(up + down - 2 * logs[0]) / np.square(steps))
