"""Crop, variety, seed lot, season: one vector for all of them, and its prior.

A lot is its crop plus what sets the variety apart plus what sets the lot apart, so that one slow
lot does not make the crop slow. What a season on a site has of its own is a layer likewise, so
that one cold spring does not make the crop slow for good. The prior of the sum is the crop's own
estimate, however many layers the records name.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import block_diag

from thermosprout.calibration.plots import Plot
from thermosprout.crops.estimate import Estimate
from thermosprout.quantities import FloatArray, IntArray

VARIETY_SHARE = 0.3
LOT_SHARE = 0.2
"""Parts of the spread left to varieties and to lots (common practice, no source)."""

SEASON_SDS = {"thermal_time_50_Cd": 0.1, "field_factor": 0.4}
"""What a season on a site has of its own: sd of ln thermal time and of the logit of the field
factor (common practice, no source: thermal time to emergence is held to hold within a tenth)."""

SEASON_SHARE = 0.2
"""Most of what is not known of a parameter that seasons may take."""

OF_VARIETY = ("t_base_C", "thermal_time_50_Cd", "sigma", "field_factor")
OF_LOT = ("thermal_time_50_Cd", "sigma", "field_factor")
"""Parameters in which varieties and lots differ."""

LABEL_SPREADS = {"thermal_time_50_Cd": 0.3, "field_factor": 0.8}
"""Prior sd of what a treatment unknown to the model does to speed and stand."""

Cell = tuple[str | None, str | None, str | None]
"""Variety, seed lot, and the treatment's label where the model does not know it."""


@dataclass(frozen=True, kw_only=True)
class Layers:
    """Layout of the vector that is fitted.

    Attributes
    ----------
    cells : tuple of Cell
        What plots can belong to.
    names : tuple of str
        Entries of the vector, ``crop:t_base_C`` and the like.
    maps : ndarray, shape (cell, parameter, entry)
        Parameters of a cell as a sum of entries.
    mean, covariance : ndarray, shape (entry,), (entry, entry)
        Prior.
    plot_cell : ndarray of int, shape (plot,)
        Cell of each plot.
    shifts : ndarray, shape (plot, 3, entry)
        What a plot has of its planting, season and lot, as sums of entries: added to ln thermal
        time, to the logit of the field factor, and to the logit of the lot's viability.
    seasonal : bool
        Whether seasons have a part of the spread.
    """

    estimate: Estimate
    cells: tuple[Cell, ...]
    names: tuple[str, ...]
    maps: FloatArray
    mean: FloatArray
    covariance: FloatArray
    plot_cell: IntArray
    shifts: FloatArray
    seasonal: bool = False

    @property
    def has_shifts(self) -> bool:
        """Whether any plot has something of its planting, season or lot."""
        return bool(self.shifts.any())

    def shifts_of(self, vectors: FloatArray) -> FloatArray:
        """Vectors of shape (draw, entry) to the shifts of plots, shape (draw, plot, 3)."""
        return np.asarray(np.einsum("pke,de->dpk", self.shifts, vectors))

    def with_shifts(self, names: Sequence[str], covariance: FloatArray, maps: FloatArray) -> Layers:
        """Layers with further entries that only shift plots.

        Parameters
        ----------
        names : sequence of str
            ``planting 2026-04-01:ln_time`` and the like.
        covariance : ndarray, shape (new, new)
            Prior of the entries about zero.
        maps : ndarray, shape (plot, 3, new)
        """
        more = len(names)
        return replace(
            self,
            names=(*self.names, *names),
            maps=np.pad(self.maps, ((0, 0), (0, 0), (0, more))),
            mean=np.pad(self.mean, (0, more)),
            covariance=block_diag(self.covariance, covariance),
            shifts=np.concatenate([self.shifts, maps], axis=2),
        )

    def owners(self) -> tuple[str | None, ...]:
        """Variety (or lot without one) that an entry belongs to; None where all cells share it."""
        owners: list[str | None] = []
        for entry in self.names:
            owner = entry.rsplit(":", 1)[0]
            if owner.startswith("lot "):
                variety = owner.removeprefix("lot ").partition("/")[0]
                owner = f"variety {variety}" if variety else owner
            owners.append(owner if owner.startswith(("variety ", "lot ")) else None)
        return tuple(owners)

    def plot_owners(self) -> tuple[str | None, ...]:
        """Owner, as :meth:`owners` names them, of each plot."""
        owners: list[str | None] = []
        for cell in self.plot_cell:
            variety, lot, _ = self.cells[cell]
            owners.append(f"variety {variety}" if variety else _lot(None, lot) if lot else None)
        return tuple(owners)

    def root(self) -> FloatArray:
        """Root of the prior's covariance in which each owner keeps coordinates of its own.

        Returns
        -------
        ndarray, shape (entry, coordinate)
        """
        owners = np.array([owner or "" for owner in self.owners()])
        groups = [np.flatnonzero(owners == owner) for owner in dict.fromkeys(owners.tolist())]
        root = block_diag(*(root_of(self.covariance[np.ix_(mine, mine)]) for mine in groups))
        return np.asarray(root[np.argsort(np.concatenate(groups))])

    def parameters(self, vectors: FloatArray) -> FloatArray:
        """Vectors of shape (draw, entry) to parameters of shape (draw, cell, parameter)."""
        return np.asarray(np.einsum("cpe,de->dcp", self.maps, vectors))

    def level(self, variety: str | None, seed_lot: str | None) -> tuple[FloatArray, FloatArray]:
        """Map of one level and the spread of what is below it, seasons to come among it.

        Returns
        -------
        tuple of ndarray, shape (parameter, entry) and (parameter, parameter)
            The covariance is that of a variety or lot of which nothing is known.
        """
        level = _sums(self.estimate, self.names, (variety, seed_lot, None))
        spread = np.zeros_like(self.estimate.covariance)
        if variety is None and any(entry.startswith("variety ") for entry in self.names):
            spread = spread + VARIETY_SHARE * _own(self.estimate, OF_VARIETY)
        if seed_lot is None and any(entry.startswith("lot ") for entry in self.names):
            spread = spread + LOT_SHARE * _own(self.estimate, OF_LOT)
        if self.seasonal:
            spread = spread + _seasons(self.estimate)
        return level, spread

    def season_sd(self, name: str) -> float:
        """Spread of a parameter between seasons on a site, on its scale."""
        index = self.estimate.names.index(name)
        return float(np.sqrt(_seasons(self.estimate)[index, index]))

    def entry(self, name: str) -> int:
        """Entry of the crop itself of one parameter."""
        return self.names.index(f"crop:{name}")

    def indices(self, name: str) -> IntArray:
        """Entries that add up to one parameter."""
        return np.array([i for i, n in enumerate(self.names) if n.rsplit(":", 1)[1] == name])


def layers_of(estimate: Estimate, plots: Sequence[Plot], *, seasonal: bool = False) -> Layers:
    """Lay out the vector for the varieties, lots and labels that plots name.

    Parameters
    ----------
    estimate : Estimate
        Prior of a lot of the crop.
    plots : sequence of Plot
        Where no variety or lot is named, the plots are the crop itself.
    seasonal : bool
        Leave a part of the spread to seasons; their entries come with
        :func:`thermosprout.calibration.fit.with_effects`.
    """
    of_plots: list[Cell] = [
        (plot.variety, plot.seed_lot, None if plot.treatment_in_model else plot.treatment)
        for plot in plots
    ]
    # By name, not as they come: the order in which records were written has no say.
    cells = sorted(set(of_plots), key=lambda cell: [name or "" for name in cell])
    members = [cells.index(cell) for cell in of_plots]
    covariance = estimate.covariance.copy()
    if any(cell[0] for cell in cells):
        covariance -= VARIETY_SHARE * _own(estimate, OF_VARIETY)
    if any(cell[1] for cell in cells):
        covariance -= LOT_SHARE * _own(estimate, OF_LOT)
    if seasonal:
        covariance -= _seasons(estimate)
    names = [f"crop:{name}" for name in estimate.names]
    blocks = [covariance]
    for owner, parameters, block in _deviations(estimate, cells):
        names += [f"{owner}:{name}" for name in parameters]
        blocks.append(block)
    return Layers(
        estimate=estimate,
        cells=tuple(cells),
        names=tuple(names),
        maps=np.stack([_sums(estimate, names, cell) for cell in cells]),
        mean=np.pad(estimate.mean, (0, len(names) - estimate.mean.size)),
        covariance=block_diag(*blocks),
        plot_cell=np.array(members, dtype=np.intp),
        shifts=np.zeros((len(members), 3, len(names))),
        seasonal=seasonal,
    )


def root_of(covariance: FloatArray) -> FloatArray:
    """Return a root of a covariance without the directions that have no spread."""
    values, vectors = np.linalg.eigh(covariance)
    positive = values > 1e-12
    return np.asarray(vectors[:, positive] * np.sqrt(values[positive]))


def _lot(variety: str | None, seed_lot: str) -> str:
    return f"lot {variety or ''}/{seed_lot}"


def _sums(estimate: Estimate, entries: Sequence[str], cell: Cell) -> FloatArray:
    """Which entries add up to each parameter of a cell, shape (parameter, entry)."""
    variety, seed_lot, label = cell
    owners = {"crop"}
    if variety is not None:
        owners.add(f"variety {variety}")
    if seed_lot is not None:
        owners.add(_lot(variety, seed_lot))
    if label is not None:
        owners.add(f"treatment {label}")
    sums = np.zeros((len(estimate.names), len(entries)))
    for column, entry in enumerate(entries):
        owner, name = entry.rsplit(":", 1)
        if owner in owners:
            sums[estimate.names.index(name), column] = 1.0
    return sums


def _deviations(
    estimate: Estimate, cells: Sequence[Cell]
) -> list[tuple[str, tuple[str, ...], FloatArray]]:
    """What sets each variety, lot and label apart: owner, parameters, prior covariance."""
    deviations: list[tuple[str, tuple[str, ...], FloatArray]] = []

    def some(parameters: tuple[str, ...], share: float) -> FloatArray:
        index = [estimate.names.index(name) for name in parameters]
        return np.asarray(share * _own(estimate, parameters)[np.ix_(index, index)])

    for variety in dict.fromkeys(cell[0] for cell in cells if cell[0]):
        deviations.append((f"variety {variety}", OF_VARIETY, some(OF_VARIETY, VARIETY_SHARE)))
    for lot in dict.fromkeys(_lot(cell[0], cell[1]) for cell in cells if cell[1]):
        deviations.append((lot, OF_LOT, some(OF_LOT, LOT_SHARE)))
    for label in dict.fromkeys(cell[2] for cell in cells if cell[2]):
        spreads = np.diag(np.square(list(LABEL_SPREADS.values())))
        deviations.append((f"treatment {label}", tuple(LABEL_SPREADS), spreads))
    return deviations


def _own(estimate: Estimate, parameters: tuple[str, ...]) -> FloatArray:
    """Covariance of some parameters given all others, in the place of the full matrix.

    A part of it can be taken off the full covariance without making that indefinite.
    """
    index = [estimate.names.index(name) for name in parameters]
    rest = [i for i in range(len(estimate.names)) if i not in index]
    full = estimate.covariance
    cross = full[np.ix_(index, rest)]
    own = full[np.ix_(index, index)] - cross @ np.linalg.pinv(full[np.ix_(rest, rest)]) @ cross.T
    full_matrix = np.zeros_like(full)
    full_matrix[np.ix_(index, index)] = 0.5 * (own + own.T)
    return full_matrix


def _seasons(estimate: Estimate) -> FloatArray:
    """Covariance of what seasons have of their own, in the place of the full matrix."""
    variances = np.zeros(len(estimate.names))
    for name, sd in SEASON_SDS.items():
        index = estimate.names.index(name)
        own = float(_own(estimate, (name,))[index, index])
        variances[index] = min(sd**2, SEASON_SHARE * max(own, 0.0))
    return np.diag(variances)
