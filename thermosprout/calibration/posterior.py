"""Coordinates in which a fit is nearly normal: speed where the records were, not thermal time.

Records pin the time to emergence at the temperatures they saw. A lower base temperature with a
longer thermal time explains them as well, along a curved ridge. Taking the logarithm of the
response at those temperatures off the logarithm of thermal time straightens the ridge, and
leaves volumes as they are.

What is minimised: likelihood and prior over scaled coordinates, with gradient and curvature.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from thermosprout.calibration.hierarchy import Layers
from thermosprout.calibration.likelihood import Likelihood, Nodes
from thermosprout.calibration.predict import Model, middle_h
from thermosprout.crops.crop import ResponseShape
from thermosprout.crops.estimate import PARAMETERS
from thermosprout.emergence.response import ResponseDraws
from thermosprout.quantities import FloatArray, IntArray

THERMAL = ("t_base_C", "opt_gap_C", "ceiling_gap_C", "curvature")

_BIN_C = 1.0
_STEP = 1e-3
_BEND_STEP = 0.05
_LEAST_RATE = 0.02


@dataclass(frozen=True, kw_only=True)
class Decorrelation:
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

    def bend(self, vector: FloatArray) -> FloatArray:
        """Second derivatives of :meth:`shift` with the entries, shape (entry, entry)."""
        size = self.thermal.size
        one = _BEND_STEP * np.eye(size)[:, None]
        other = _BEND_STEP * np.eye(size)[None, :]
        steps = np.stack([one + other, one - other, other - one, -one - other])
        vectors = np.tile(vector, (*steps.shape[:-1], 1))
        vectors[..., self.thermal] += steps
        values = self.shift(vectors.reshape(-1, vector.size)).reshape(4, size, size)
        bend = np.zeros((vector.size, vector.size))
        bend[np.ix_(self.thermal, self.thermal)] = (
            values[0] - values[1] - values[2] + values[3]
        ) / (4 * _BEND_STEP**2)
        return bend

    def shift(self, vectors: FloatArray, places: IntArray | None = None) -> FloatArray:
        """Logarithm of the mean response of vectors, shape (draw,).

        Those of the layers, or others that hold the response at ``places``.
        """
        places = self.thermal if places is None else places
        values = {
            name: PARAMETERS[name].natural(vectors[:, entry])
            for name, entry in zip(THERMAL, places, strict=True)
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


def decorrelation_of(model: Model) -> Decorrelation:
    """Decorrelation for the temperatures that the plots of a model saw."""
    layers = model.layers
    temperatures, shares = _histogram(model)
    return Decorrelation(
        response=model.crop.response,
        temperatures=temperatures,
        shares=shares,
        thermal=np.array([layers.entry(name) for name in THERMAL], dtype=np.intp),
        target=layers.entry("thermal_time_50_Cd"),
    )


def _histogram(model: Model) -> tuple[FloatArray, FloatArray]:
    """Histogram of temperature from planting to the middle of emergence, plots weighing alike."""
    values: list[FloatArray] = []
    weights: list[FloatArray] = []
    for plot in model.plots:
        temperature = model.temperature(plot, middle_h(plot))
        values.append(temperature)
        weights.append(np.full(temperature.size, np.sqrt(1.0 + plot.emerged) / temperature.size))
    bins = np.round(np.concatenate(values) / _BIN_C)
    places, index = np.unique(bins, return_inverse=True)
    mass = np.bincount(index, np.concatenate(weights))
    return places * _BIN_C, mass / mass.sum()


_GRADIENT_STEP = 2e-3
_TRY_STEP = 0.1
_UNMOVED = 0.03
_SHIFT_UNITS = np.array([0.1, 0.3, 0.5])


@dataclass(frozen=True, kw_only=True)
class Posterior:
    """Vectors of the layers as ``origin + root @ w``, decorrelated.

    Attributes
    ----------
    origin : ndarray, shape (entry,)
    root : ndarray, shape (entry, coordinate)
        With a prior, a root of its covariance; without, one column per free entry.
    prior : bool
        Whether the vectors have a normal prior with that origin and root.
    decorrelation : Decorrelation
        Leaves the vector at the origin as it is.
    """

    likelihood: Likelihood
    origin: FloatArray
    root: FloatArray
    prior: bool
    decorrelation: Decorrelation

    @property
    def layers(self) -> Layers:
        """Layers of the model whose vectors these are."""
        return self.likelihood.model.layers

    @property
    def size(self) -> int:
        """Return the number of coordinates."""
        return int(self.root.shape[1])

    def vectors(self, w: FloatArray) -> FloatArray:
        """Coordinates of shape (draw, coordinate) to vectors of the layers."""
        flat = self.origin + w @ self.root.T
        flat[:, self.decorrelation.target] += self.decorrelation.shift(flat) - self._start
        return np.asarray(flat)

    @cached_property
    def _start(self) -> float:
        return float(self.decorrelation.shift(self.origin[None])[0])

    @cached_property
    def _inverse(self) -> FloatArray:
        return np.asarray(np.linalg.pinv(self.root))

    def jacobian(self, w: FloatArray) -> FloatArray:
        """Slope of the vector with the coordinates, shape (entry, coordinate)."""
        slope = self.decorrelation.slope(self.origin + self.root @ w)
        jacobian = self.root.copy()
        jacobian[self.decorrelation.target] += slope @ self.root
        return jacobian

    def log_prior(self, w: FloatArray) -> FloatArray:
        """Log-density of the prior up to a constant, shape (draw,)."""
        if not self.prior:
            return np.zeros(w.shape[0])
        plain = (self.vectors(w) - self.origin) @ self._inverse.T
        return np.asarray(-0.5 * np.square(plain).sum(axis=-1))

    def own_log_prior(self, w: FloatArray) -> FloatArray:
        """Log-density of the prior of each variety's coordinates, shape (draw, variety)."""
        blocks = self.blocks()
        own = blocks[:, None] == np.arange(1, int(blocks.max(initial=0)) + 1)
        return np.asarray(-0.5 * np.square(w) @ own)

    def blocks(self) -> IntArray:
        """Block of each coordinate: zero is shared by all plots, the others are varieties."""
        entries = self._blocks_of(self.layers.owners())
        return np.asarray(entries[np.abs(self.root).argmax(axis=0)])

    def plot_blocks(self) -> IntArray:
        """Block of each plot; zero where it is of no variety."""
        return self._blocks_of(self.layers.plot_owners())

    def _blocks_of(self, owners: Sequence[str | None]) -> IntArray:
        order = [None, *(owner for owner in dict.fromkeys(self.layers.owners()) if owner)]
        return np.array([order.index(owner) for owner in owners], dtype=np.intp)

    def likelihood_of_plots(self, w: FloatArray) -> FloatArray:
        """Log-likelihood of each plot, shape (draw, plot)."""
        return self.likelihood.plots(self.vectors(w))

    def log_likelihood(self, w: FloatArray) -> FloatArray:
        """Log-likelihood of all plots, shape (draw,)."""
        return np.asarray(self.likelihood_of_plots(w).sum(axis=1))

    def log_posterior(self, w: FloatArray) -> FloatArray:
        """Sum of the two, shape (draw,)."""
        return self.log_likelihood(w) + self.log_prior(w)

    def value_and_gradient(self, w: FloatArray) -> tuple[float, FloatArray]:
        """Negative log-posterior at one point and its gradient.

        Each plot's own parameters and shifts are stepped both ways, those of all plots in one
        pass: the slope of each plot with its own gives the slope with every entry.
        """
        layers = self.layers
        vector = self.vectors(w[None])
        here, shifts = layers.parameters(vector), layers.shifts_of(vector)
        local, units = self._local(), self._units()
        steps = np.zeros((1 + 2 * local.size, units.size))
        rows = np.arange(local.size)
        steps[1 + rows, local] = _GRADIENT_STEP * units[local]
        steps[1 + local.size + rows, local] = -_GRADIENT_STEP * units[local]
        nodes = self.likelihood.nodes(here, shifts)
        logs = self._stepped(here, shifts, steps[:, None, :], nodes)
        slopes = np.zeros((units.size, logs.shape[1]))
        slopes[local] = (logs[1 : 1 + local.size] - logs[1 + local.size :]) / (
            2 * _GRADIENT_STEP * units[local, None]
        )
        slope = self._from_plots(slopes)
        if self.prior:
            plain = self._inverse @ (vector[0] - self.origin)
            slope = slope - self._inverse.T @ plain
        value = float(logs[0].sum() + self.log_prior(w[None])[0])
        return -value, -(self.jacobian(w).T @ slope)

    def _stepped(
        self,
        here: FloatArray,
        shifts: FloatArray,
        steps: FloatArray,
        nodes: Nodes | None = None,
    ) -> FloatArray:
        """Log-likelihood of each plot about a point, shape (step, plot).

        Parameters
        ----------
        here, shifts : ndarray, shape (1, cell, parameter) and (1, plot, 3)
        steps : ndarray, shape (step, 1 or cell, parameter + 3)
            Of parameters and shifts together, for every cell alike or for each.
        """
        size = here.shape[2]
        layers = self.layers
        plot_shifts = None
        if layers.has_shifts:
            of_plots = steps[:, layers.plot_cell] if steps.shape[1] > 1 else steps
            plot_shifts = shifts + of_plots[..., size:]
        return self.likelihood.plots_of_cells(here + steps[..., :size], nodes, plot_shifts)

    def _from_plots(self, slopes: FloatArray) -> FloatArray:
        """Slope of each plot with its parameters and shifts to the slope with every entry.

        Parameters
        ----------
        slopes : ndarray, shape (parameter + 3, plot)
        """
        layers = self.layers
        size = layers.maps.shape[1]
        by_cell = self._by_cell(slopes[:size])
        slope = np.einsum("cpe,pc->e", layers.maps, by_cell)
        return np.asarray(slope + np.einsum("pke,kp->e", layers.shifts, slopes[size:]))

    def _by_cell(self, per_plot: FloatArray) -> FloatArray:
        """Sum the last axis, plots, within cells."""
        layers = self.layers
        member = np.eye(len(layers.cells))[layers.plot_cell]
        return np.asarray(per_plot @ member)

    def curvature(self, w: FloatArray) -> FloatArray:
        """Hessian of the negative log-posterior, shape (coordinate, coordinate).

        Second differences with the parameters and shifts of each plot, those of all plots in one
        pass, so that the work does not grow with the number of varieties. Steps are about half a
        standard deviation, so that the fine grain of the soil's temperature bins does not show.
        """
        layers = self.layers
        vector = self.vectors(w[None])
        here, shifts = layers.parameters(vector), layers.shifts_of(vector)
        local, units = self._local(), self._units()
        cells = len(layers.cells)
        try_step = np.zeros((units.size, cells, units.size))
        try_step[local, :, local] = (_TRY_STEP * units[local])[:, None]
        first, _, _ = self._second(here, shifts, try_step[local])
        bend = np.abs(self._by_cell(first)) * np.square(units[local])[:, None]
        step = units[local][:, None] * np.clip(0.5 / np.sqrt(np.maximum(bend, 0.25)), 0.01, 0.7)
        steps = np.zeros((local.size, cells, units.size))
        steps[np.arange(local.size), :, local] = step
        diagonal, logs, middle = self._second(here, shifts, steps)
        active = np.flatnonzero(bend.max(axis=1) > _UNMOVED)
        rows, columns = (active[index] for index in np.triu_indices(active.size, 1))
        plots = logs.shape[2]
        hessians = np.zeros((plots, units.size, units.size))
        hessians[:, local, local] = diagonal.T
        step_of_plot = step[:, layers.plot_cell]
        if rows.size:
            both = self._stepped(
                here, shifts, np.concatenate([steps[rows] + steps[columns],
                                              -steps[rows] - steps[columns]])
            )  # fmt: skip
            up, down = np.split(both, 2)
            cross = (
                up + down + 2 * middle
                - logs[0, rows] - logs[1, rows] - logs[0, columns] - logs[1, columns]
            ) / (2 * step_of_plot[rows] * step_of_plot[columns])  # fmt: skip
            hessians[:, local[rows], local[columns]] = -cross.T
            hessians[:, local[columns], local[rows]] = -cross.T
        slopes = np.zeros((units.size, plots))
        slopes[local] = (logs[0] - logs[1]) / (2 * step_of_plot)
        return self._assembled(w, hessians, self._from_plots(slopes))

    def _second(
        self, here: FloatArray, shifts: FloatArray, steps: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Second differences of each plot with each step, negative.

        Returns
        -------
        tuple of ndarray
            Differences of shape (step, plot); log-likelihoods up and down, shape (2, step, plot);
            and that in the middle, shape (plot,).
        """
        layers = self.layers
        logs = self._stepped(here, shifts, np.concatenate([steps, -steps, 0.0 * steps[:1]]))
        ends, middle = logs[:-1].reshape(2, steps.shape[0], -1), logs[-1]
        length = np.abs(steps).sum(axis=2)[:, layers.plot_cell]
        return -(ends.sum(axis=0) - 2 * middle) / np.square(length), ends, middle

    def _assembled(self, w: FloatArray, hessians: FloatArray, slope: FloatArray) -> FloatArray:
        """Hessian in coordinates from those of plots with their own parameters and shifts."""
        layers = self.layers
        size = layers.maps.shape[1]
        jacobian = self.jacobian(w)
        cells = np.einsum("cpe,ew->cpw", layers.maps, jacobian)
        own = np.einsum("pke,ew->pkw", layers.shifts, jacobian)
        result = np.zeros((self.size, self.size))
        for cell in range(len(layers.cells)):
            mine = np.flatnonzero(layers.plot_cell == cell)
            same = hessians[mine].sum(axis=0)[:size, :size]
            result += cells[cell].T @ same @ cells[cell]
            if layers.has_shifts:
                mixed = np.einsum("nik,nkw->iw", hessians[mine, :size, size:], own[mine])
                mixed = cells[cell].T @ mixed
                result += mixed + mixed.T
        if layers.has_shifts:
            result += np.einsum("nkw,nkl,nlv->wv", own, hessians[:, size:, size:], own)
        if self.prior:
            plain = self._inverse @ jacobian
            result += plain.T @ plain
            at = self._inverse @ (self.vectors(w[None])[0] - self.origin)
            slope = slope - self._inverse.T @ at
        bend = self.root.T @ self.decorrelation.bend(self.origin + self.root @ w) @ self.root
        return np.asarray(result - slope[self.decorrelation.target] * bend)

    def _units(self) -> FloatArray:
        """Step unit of each parameter and shift: its prior sd."""
        estimate = self.layers.estimate
        own = np.sqrt(np.maximum(np.diag(estimate.covariance), 1e-8))
        return np.concatenate([own, _SHIFT_UNITS])

    def _local(self) -> IntArray:
        """Parameters and shifts that some coordinate moves."""
        layers = self.layers
        parameter_size = np.abs(np.einsum("cpe,ek->cpk", layers.maps, self.root)).sum(axis=(0, 2))
        shift_size = np.abs(np.einsum("pje,ek->pjk", layers.shifts, self.root)).sum(axis=(0, 2))
        return np.flatnonzero(np.concatenate([parameter_size, shift_size]) > 1e-12)
