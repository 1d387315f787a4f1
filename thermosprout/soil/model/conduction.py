"""Conduction of heat in a column of soil, exact in time and vectorised over members.

The column is cut into cells (finite volumes) on a graded grid with a zero-flux bottom. Between
two hours the system is linear, ``C dT/dt = L T + e0 g``, so the step is its exponential: no time
step error, unconditionally stable, and what flows in is what is stored. The flux ``g`` [W m-2]
through the surface is the mean over the step and follows from the *mean* surface temperature of
that same step, ``g = supply - coupling * mean(T_surface)``, hence implicit and second order.

Also here: the profile that a run starts from, out of the yearly course of air temperature.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import product

import numpy as np
import numpy.typing as npt

from thermosprout.quantities import FloatArray
from thermosprout.soil.model.ground import LATENT_HEAT_FUSION, SOILS, SoilType
from thermosprout.soil.model.water import Water

AMPLITUDE_PER_DEGREE = 0.27
"""Amplitude of the year per degree of latitude. [K] Common knowledge of climate tables (11 K at 40
degrees, less by the sea), no source."""
AMPLITUDE_SD_K = 4.0
"""Spread of that amplitude between maritime and continental places. [K] Assumption."""
WARMEST_DAY = 201.0
"""Day of the year on which air is warmest north of the equator: four weeks after the solstice."""
WEATHER_SD_K = 4.0
"""Spread of daily means about the year's course. [K]"""
WEATHER_MEMORY_D = 6.0
"""Days of weather that count as one independent value. [d]"""


@dataclass(frozen=True)
class YearlyCourse:
    """Mean and amplitude of air temperature, each of shape (member,). [degC], [K]"""

    mean: FloatArray
    amplitude: FloatArray
    warmest_day: float

    def profile(
        self, depth_m: FloatArray, day_of_year: float, diffusivity: float, warmer: float
    ) -> FloatArray:
        """Temperature of the ground on a day, shape (member, node). [degC]

        Parameters
        ----------
        depth_m : ndarray, shape (node,)
        day_of_year : float
        diffusivity : float
            [m2 s-1]
        warmer : float
            By how much the ground is warmer than the air in the mean of the year. [K]

        Notes
        -----
        Damped wave of Carslaw & Jaeger (1959), section 2.6.
        """
        ratio = depth_m * np.sqrt(np.pi / (365.25 * 86400.0) / diffusivity)
        phase = 2.0 * np.pi * (day_of_year - self.warmest_day) / 365.25
        wave = np.exp(-ratio) * np.cos(phase - ratio)
        return np.asarray(self.mean[:, None] + warmer + self.amplitude[:, None] * wave[None, :])


def yearly_course(
    daily_air: FloatArray, first_day_of_year: float, latitude: float | FloatArray
) -> YearlyCourse:
    """Estimate the yearly course from whatever part of it the series holds.

    Parameters
    ----------
    daily_air : ndarray, shape (member, day)
        Daily means. [degC]
    first_day_of_year : float
        Day of the year of the first one.
    latitude : float or ndarray, shape (member,)
        Degrees north.
    """
    members, days = daily_air.shape
    north = np.broadcast_to(np.asarray(latitude, dtype=float), (members,))
    warmest = WARMEST_DAY if north[0] >= 0 else (WARMEST_DAY + 182.6) % 365.25
    season = np.cos(2 * np.pi * (first_day_of_year + np.arange(days) - warmest) / 365.25)
    weight = 1.0 / (WEATHER_SD_K**2 * WEATHER_MEMORY_D)
    prior = 1.0 / AMPLITUDE_SD_K**2
    expected = AMPLITUDE_PER_DEGREE * np.abs(north)
    spread = season - season.mean()
    lean = daily_air - daily_air.mean(axis=1, keepdims=True)
    amplitude = (weight * (lean @ spread) + prior * expected) / (weight * (spread @ spread) + prior)
    amplitude = np.maximum(amplitude, 0.0)
    mean = daily_air.mean(axis=1) - amplitude * season.mean()
    return YearlyCourse(mean=mean, amplitude=amplitude, warmest_day=warmest)


IntArray = npt.NDArray[np.intp]

STEP_S, DAY = 3600.0, 24
"""Length of a step [s], and steps for which one operator is in force."""


@dataclass(frozen=True)
class Grid:
    """Nodes and cell widths of the column, the first node at the surface. [m]"""

    nodes: FloatArray
    widths: FloatArray

    @property
    def size(self) -> int:
        """Number of nodes."""
        return int(self.nodes.size)

    def weights(self, depth_cm: float) -> FloatArray:
        """Weights of a cubic through the four nodes around a depth, shape (node,)."""
        depth = depth_cm / 100.0
        first = int(np.clip(np.searchsorted(self.nodes, depth) - 2, 0, self.size - 4))
        near = self.nodes[first : first + 4]
        out = np.zeros(self.size)
        for i in range(4):
            rest = np.delete(near, i)
            out[first + i] = np.prod((depth - rest) / (near[i] - rest))
        return out


@lru_cache(maxsize=8)
def graded_grid(first_cm: float = 1.0, growth: float = 1.15, bottom_cm: float = 350.0) -> Grid:
    """Grid whose spacing grows with depth: fine where seeds lie, coarse below."""
    nodes = [0.0]
    spacing = first_cm / 100.0
    while nodes[-1] < bottom_cm / 100.0:
        nodes.append(nodes[-1] + spacing)
        spacing *= growth
    z = np.array(nodes)
    faces = np.concatenate([[0.0], 0.5 * (z[1:] + z[:-1]), [z[-1]]])
    return Grid(nodes=z, widths=np.diff(faces))


@dataclass(frozen=True)
class Operator:
    """Exact hourly step of one set of soil properties.

    Attributes
    ----------
    forward : ndarray, shape (node, node)
        End of step from start of step, without flux; rows are the old nodes (``T @ forward``).
    response : ndarray, shape (node,)
        Change at the end of the step from unit mean flux. [K per W m-2]
    mean_surface : ndarray, shape (node,)
        Mean surface temperature over the step from the start of step, without flux.
    mean_response : float
        Change of that mean from unit flux. [K per W m-2]
    capacity : ndarray, shape (node,)
        Heat stored by each cell. [J m-2 K-1]
    """

    forward: FloatArray
    response: FloatArray
    mean_surface: FloatArray
    mean_response: float
    capacity: FloatArray


def make_operator(grid: Grid, conductivity: FloatArray, heat_capacity: FloatArray) -> Operator:
    """Build the exact step of a column.

    Parameters
    ----------
    grid : Grid
    conductivity, heat_capacity : ndarray, shape (node,)
        Of each cell. [W m-1 K-1], [J m-3 K-1]
    """
    capacity = heat_capacity * grid.widths
    resistance = 0.5 * np.diff(grid.nodes) * (1.0 / conductivity[:-1] + 1.0 / conductivity[1:])
    link = 1.0 / resistance
    matrix = np.zeros((grid.size, grid.size))
    index = np.arange(grid.size - 1)
    matrix[index, index] -= link
    matrix[index + 1, index + 1] -= link
    matrix[index, index + 1] = matrix[index + 1, index] = link
    root = np.sqrt(capacity)
    rates, vectors = np.linalg.eigh(matrix / np.outer(root, root))
    x = rates * STEP_S
    # phi1 = (e^x - 1)/x and phi2 = (e^x - 1 - x)/x^2; series where x is near zero
    small = np.abs(x) < 1e-4
    safe = np.where(small, 1.0, x)
    phi1 = np.where(small, 1 + x / 2 + x * x / 6, np.expm1(safe) / safe)
    phi2 = np.where(small, 0.5 + x / 6 + x * x / 24, (np.expm1(safe) - safe) / safe**2)

    def function(values: FloatArray) -> FloatArray:
        inner = (vectors * values) @ vectors.T
        return np.asarray(inner * root[None, :] / root[:, None])

    push = STEP_S / capacity[0]
    return Operator(
        forward=np.ascontiguousarray(function(np.exp(x)).T),
        response=function(phi1)[:, 0] * push,
        mean_surface=function(phi1)[0],
        mean_response=float(function(phi2)[0, 0] * push),
        capacity=capacity,
    )


@dataclass(frozen=True)
class Run:
    """Result of :func:`conduct`.

    Attributes
    ----------
    temperature : ndarray, shape (depth, member, step + 1)
    flux : ndarray, shape (member, step)
        Mean heat flux into the soil in each step. [W m-2]
    state, ice : ndarray, shape (member, node)
        Node temperatures [degC] and latent heat given off by frozen water [J m-2] at the end.
    """

    temperature: FloatArray
    flux: FloatArray
    state: FloatArray
    ice: FloatArray


def conduct(
    operators: Sequence[Operator],
    which: IntArray,
    supply: FloatArray,
    coupling: FloatArray,
    outputs: FloatArray,
    state: FloatArray,
    *,
    ice: FloatArray | None = None,
    freezable: FloatArray | None = None,
) -> Run:
    """March the column through time under a surface flux ``supply - coupling * T_surface``.

    Parameters
    ----------
    operators : sequence of Operator
        Soil properties that occur.
    which : ndarray of int, shape (member, day)
        Operator in force on each day.
    supply, coupling : ndarray, shape (member, step)
        [W m-2] and [W m-2 K-1]. A coupling of zero prescribes the flux.
    outputs : ndarray, shape (node, depth)
        Weights that turn nodes into the wanted depths.
    state : ndarray, shape (member, node)
        Temperatures at the start. [degC]
    ice, freezable : ndarray, shape (member, node), optional
        Latent heat already given off, and what all freezable water would give off. [J m-2]
        Without ``freezable`` nothing freezes.
    """
    members, steps = supply.shape
    n = state.shape[1]
    rows = np.stack([op.response for op in operators])
    means = np.array([op.mean_response for op in operators])
    packed = np.stack(
        [
            np.concatenate([op.forward, op.mean_surface[:, None], outputs], axis=1)
            for op in operators
        ]
    )
    capacities = np.stack([op.capacity for op in operators])
    supply_t = np.ascontiguousarray(supply.T)
    coupling_t = np.ascontiguousarray(coupling.T)
    out = np.empty((steps + 1, members, outputs.shape[1]))
    flux = np.empty((steps, members))
    x = np.array(state, dtype=float)
    frozen = np.zeros((members, n)) if ice is None else np.array(ice, dtype=float)
    has_ice = bool(frozen.any())
    for start in range(0, steps, DAY):
        pick = which[:, start // DAY]
        same = bool((pick == pick[0]).all())
        stop = min(start + DAY, steps)
        gain = 1.0 / (1.0 + coupling_t[start:stop] * means[pick])
        chosen = pick[0] if same else pick
        matrix, push, capacity = packed[chosen], rows[chosen], capacities[chosen]
        for k in range(start, stop):
            y = x @ matrix if same else (x[:, None, :] @ matrix)[:, 0]
            out[k] = y[:, n + 1 :]
            g = (supply_t[k] - coupling_t[k] * y[:, n]) * gain[k - start]
            flux[k] = g
            x = y[:, :n] + g[:, None] * push
            if freezable is not None and (has_ice or x.min() < 0.0):
                x, frozen = _change_phase(x, frozen, capacity, freezable)
                has_ice = bool(frozen.any())
    out[steps] = x @ outputs
    return Run(temperature=np.moveaxis(out, 0, -1).swapaxes(0, 1), flux=flux.T, state=x, ice=frozen)


def _change_phase(
    temperature: FloatArray, ice: FloatArray, capacity: FloatArray, freezable: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Freeze water of cells below 0 degC and thaw ice of cells above, keeping the energy."""
    spare = -temperature * capacity
    change = np.clip(spare, -ice, freezable - ice)
    # a cell whose water content fell may hold more ice than it can: let that part thaw
    return temperature + change / capacity, ice + change


TOPSOIL_M = 0.10
"""Layer that dries by evaporation, FAO-56. [m]"""
TOP_CLASSES, SUB_CLASSES = 6, 3
DRY_SHARE = 0.7
"""Driest topsoil as a share of the wilting point. Half of it in FAO-56 eq. 73, for the uppermost
centimetres; the mean of 10 cm stays above."""
FREEZING_SHARE = 0.5
"""Share of field capacity that freezes within a few degrees below zero. Assumption."""


@dataclass(frozen=True)
class Column:
    """Grid, operators by wetness and freezable water of one soil.

    Attributes
    ----------
    operators : tuple of Operator
        Topsoil class times :data:`SUB_CLASSES` plus subsoil class.
    top_contents : ndarray, shape (top class,)
        Water content of the topsoil classes. [m3 m-3]
    freezable : ndarray, shape (node,)
        Latent heat of the water that can freeze. [J m-2]
    diffusivity : float
        Of moist soil. [m2 s-1]
    """

    soil: SoilType
    grid: Grid
    operators: tuple[Operator, ...]
    top_contents: FloatArray
    freezable: FloatArray
    diffusivity: float

    def classes(self, water: Water, root_zone_mm: float) -> IntArray:
        """Operator of each member and day, shape (member, day)."""
        depth_mm = TOPSOIL_M * 1000.0
        content = self.soil.field_capacity - water.surface_depletion / depth_mm
        step = self.top_contents[1] - self.top_contents[0]
        top = np.clip(np.rint((content - self.top_contents[0]) / step), 0, TOP_CLASSES - 1)
        left = 1.0 - water.root_depletion / root_zone_mm
        sub = np.clip(np.rint(left * (SUB_CLASSES - 1)), 0, SUB_CLASSES - 1)
        return np.asarray(top * SUB_CLASSES + sub, dtype=np.intp)


@lru_cache(maxsize=32)
def soil_column(texture: str, conductivity_factor: float) -> Column:
    """Build the column of a texture; results are kept."""
    soil = SOILS[texture]
    grid = graded_grid()
    low, high = DRY_SHARE * soil.wilting_point, soil.field_capacity
    contents = np.linspace(low, high, TOP_CLASSES)
    below = np.linspace(soil.wilting_point, soil.field_capacity, SUB_CLASSES)
    operators = []
    for top, sub in product(contents, below):
        theta = np.where(grid.nodes < TOPSOIL_M, top, sub)
        conductivity = conductivity_factor * soil.conductivity(theta)
        operators.append(make_operator(grid, conductivity, soil.heat_capacity(theta)))
    return Column(
        soil=soil,
        grid=grid,
        operators=tuple(operators),
        top_contents=contents,
        freezable=grid.widths * FREEZING_SHARE * high * LATENT_HEAT_FUSION,
        diffusivity=float(conductivity_factor * soil.diffusivity(high)),
    )
