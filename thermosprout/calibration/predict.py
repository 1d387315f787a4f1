"""From parameter vectors to what each plot is expected to do, with the forecast's own model."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import xarray as xr

from thermosprout.calibration.hierarchy import Layers
from thermosprout.calibration.plots import Plot, day_of
from thermosprout.crops.crop import Crop
from thermosprout.crops.estimate import Draws
from thermosprout.emergence.response import ResponseDraws
from thermosprout.emergence.stand import half_beyond, stand_share
from thermosprout.emergence.thermal_time import Clock, ConstantClock, ThermalClock
from thermosprout.emergence.treatments import Handling, SeedState, Treatment, seed_state
from thermosprout.errors import CoverageError
from thermosprout.quantities import FloatArray
from thermosprout.soil.series import hours_since_epoch
from thermosprout.special import expit, logit

_SHIFT = 0.02
"""Step of ln thermal time for the slopes of treatment effects; they are almost straight in it."""

_SLACK_H = 12.0
"""A series that ends at midnight serves an inspection that day."""

_SURE = 1.0 - 1e-6

DISH_SHARE, DISH_RHO = 0.85, 0.3
"""How many seeds germinate in dishes, and how much that varies between temperatures and lots:
a wide guess that leaves the final count of a dish almost free (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class Predicted:
    """What plots are expected to do; first axis draws, second plots.

    Attributes
    ----------
    progress : ndarray, shape (draw, plot, inspection)
        Thermal time from planting to each inspection, the last one repeated. [C d]
    ln_scale, credit, sigma, z_low, z_high : ndarray, shape (draw, plot)
        As in :class:`thermosprout.emergence.treatments.SeedState`.
    credit_slope, low_slope, high_slope : ndarray, shape (draw, plot)
        Change of credit and of the range of seed planted with ln thermal time of the plot.
    share : ndarray, shape (draw, plot)
        Final stand as a share of the seeds planted.
    rho, speed_sd : ndarray, shape (draw, plot)
        Correlation within plots and spread of ln thermal time between them.
    field_factor, viability : ndarray, shape (draw, plot)
        Parts of the share that seasons and lots shift.
    shift : ndarray, shape (draw, plot)
        Of ln thermal time, by planting.
    """

    progress: FloatArray
    ln_scale: FloatArray
    credit: FloatArray
    sigma: FloatArray
    z_low: FloatArray
    z_high: FloatArray
    credit_slope: FloatArray
    low_slope: FloatArray
    high_slope: FloatArray
    share: FloatArray
    rho: FloatArray
    speed_sd: FloatArray
    field_factor: FloatArray
    viability: FloatArray
    shift: FloatArray


@dataclass(frozen=True)
class _Setting:
    """Plots that share all that the model looks at."""

    cell: int
    course: int
    planted_h: float
    depth_cm: float
    handling: Handling
    constant_C: float | None
    dish: bool
    viability: float


class Model:
    """The plots of a fit with everything about them that parameters cannot change.

    Parameters
    ----------
    crop : Crop
        Response, limits and stand of the crop.
    plots : sequence of Plot
        Fitted together.
    layers : Layers
        Says which cell a plot belongs to.
    series : sequence of xarray.DataArray
        Hourly soil temperature, without members; each plot takes the first that covers it.
    dish_share : float, optional
        Part of ``thermal_time_50_Cd`` that dishes need; by default the germination share.

    Raises
    ------
    CoverageError
        When a plot is not covered from planting to its last inspection.
    """

    def __init__(
        self,
        crop: Crop,
        plots: Sequence[Plot],
        layers: Layers,
        series: Sequence[xr.DataArray] = (),
        *,
        dish_share: float | None = None,
    ) -> None:
        self.crop, self.plots, self.layers = crop, tuple(plots), layers
        self._dish_share = dish_share
        middle = ResponseDraws.from_draws(crop.response, layers.estimate.natural(layers.mean[
            None, : layers.estimate.mean.size]))  # fmt: skip
        self.series = tuple(series)
        parts = [(i, part) for i, whole in enumerate(series) for part in _without_holes(whole)]
        self._courses = [ThermalClock(part, middle) for _, part in parts]
        self._series_of_course = [i for i, _ in parts]
        self._gather()
        self._tabulate()

    def _gather(self) -> None:
        """Find the settings, and the schedules of inspections in them."""
        settings: dict[_Setting, int] = {}
        schedules: dict[tuple[int, bytes], int] = {}
        self.plot_setting = np.zeros(len(self.plots), dtype=np.intp)
        self._plot_schedule = np.zeros(len(self.plots), dtype=np.intp)
        self._schedules: list[tuple[int, FloatArray]] = []
        for index, plot in enumerate(self.plots):
            setting = _Setting(
                cell=int(self.layers.plot_cell[index]),
                course=self._course_of(plot),
                planted_h=plot.planted_h,
                depth_cm=plot.depth_cm,
                handling=plot.handling,
                constant_C=plot.constant_C,
                dish=plot.dish,
                viability=plot.viability,
            )
            place = settings.setdefault(setting, len(settings))
            hours = plot.informative_looks()[0] if plot.noted_h is None else np.array(plot.noted_h)
            key = (place, hours.tobytes())
            if key not in schedules:
                schedules[key] = len(schedules)
                self._schedules.append((place, hours))
            self.plot_setting[index] = place
            self._plot_schedule[index] = schedules[key]
        self.settings = tuple(settings)
        self.inspections = max(hours.size for _, hours in self._schedules)

    def _course_of(self, plot: Plot) -> int:
        if plot.constant_C is not None:
            return -1
        for index, clock in enumerate(self._courses):
            if clock.first_h <= plot.planted_h and plot.last_h <= clock.last_h + _SLACK_H:
                return index
        if not self._courses:
            raise CoverageError(
                f"plot {plot.name} has no temperature",
                hint="give --soil SOIL.csv, or a column temperature_C for dishes",
            )
        spans = ", ".join(f"{day_of(c.first_h)} to {day_of(c.last_h)}" for c in self._courses)
        raise CoverageError(
            f"the soil temperature ({spans}) does not cover plot {plot.name} from "
            f"{day_of(plot.planted_h)} to {day_of(plot.last_h)} without a hole"
        )

    def series_of(self, plot: Plot) -> int:
        """Which of the series a plot's soil temperature comes from."""
        return self._series_of_course[self._course_of(plot)]

    def temperature(self, plot: Plot, end_h: float) -> FloatArray:
        """Hourly temperature a plot saw from planting to an hour; at least one value. [degC]"""
        if plot.constant_C is not None:
            return np.array([plot.constant_C])
        clock = self._courses[self._course_of(plot)]
        return clock.table.temperatures(plot.planted_h, max(end_h, plot.planted_h + 24.0))

    def _tabulate(self) -> None:
        """Time at each temperature from planting to every inspection, per cell and course."""
        self._groups: dict[tuple[int, int], list[int]] = {}
        for place, setting in enumerate(self.settings):
            self._groups.setdefault((setting.cell, setting.course), []).append(place)
        self._spent: dict[tuple[int, int], tuple[list[int], FloatArray]] = {}
        self._planted: dict[tuple[int, int], FloatArray] = {}
        for key, places in self._groups.items():
            if key[1] < 0:
                continue
            clock = self._courses[key[1]]
            mine = [i for i, (place, _) in enumerate(self._schedules) if place in places]
            begin = clock.table.dwell(
                np.array([self.settings[place].planted_h for place in places])
            )
            self._planted[key] = begin
            tables = []
            ends = clock.table.dwell(np.concatenate([self._schedules[i][1] for i in mine]))[0]
            at = 0
            for i in mine:
                place, hours = self._schedules[i]
                table = ends[at : at + hours.size] - begin[0, places.index(place)]
                at += hours.size
                tables.append(_padded(table, self.inspections))
            self._spent[key] = (mine, np.concatenate(tables)[None])

    def predict(self, vectors: FloatArray) -> Predicted:
        """Expectations for vectors of shape (draw, entry) of the layers."""
        shifts = self.layers.shifts_of(vectors) if self.layers.has_shifts else None
        return self.predict_cells(self.layers.parameters(vectors), shifts)

    def predict_cells(self, parameters: FloatArray, shifts: FloatArray | None = None) -> Predicted:
        """Expectations for parameters of shape (draw, cell, parameter), transformed scale.

        Parameters
        ----------
        shifts : ndarray, shape (draw, plot, 3), optional
            As :meth:`~thermosprout.calibration.hierarchy.Layers.shifts_of` gives them.
        """
        draws = parameters.shape[0]
        per_cell = [
            self.layers.estimate.natural(parameters[:, cell]) for cell in range(parameters.shape[1])
        ]
        rates = [ResponseDraws.from_draws(self.crop.response, values) for values in per_cell]
        shape = (draws, len(self.settings))
        table = {name: np.zeros(shape) for name in _COLUMNS}
        progress = np.zeros((draws, len(self._schedules), self.inspections))
        states: dict[tuple[int, Handling, float, bool], tuple[SeedState, SeedState | None]] = {}
        for key, places in self._groups.items():
            cell, course = key
            values, rate = per_cell[cell], rates[cell]
            clock = None
            if course >= 0:
                clock = ThermalClock(self._courses[course].table, rate)
                mine, dwell = self._spent[key]
                progress[:, mine] = clock.progress_through(dwell).reshape(
                    draws, len(mine), self.inspections
                )
            plain = []
            for place in places:
                setting = self.settings[place]
                state_key = (cell, setting.handling, setting.depth_cm, setting.dish)
                if state_key not in states:
                    states[state_key] = self._states(setting, values, rate)
                self._fill(table, place, *states[state_key])
                plain.append(states[state_key][0])
            for column, name in _OF_PARAMETERS.items():
                table[column][:, places] = values[name][:, None]
            table["viability"][:, places] = [self.settings[p].viability for p in places]
            self._stands(table, key, places, plain, values, rate, clock)
        for index, (place, hours) in enumerate(self._schedules):
            setting = self.settings[place]
            if setting.constant_C is not None:
                days = _padded((hours - setting.planted_h) / 24.0, self.inspections)
                progress[:, index] = rates[setting.cell].at(setting.constant_C)[:, None] * days
        gathered = {name: column[:, self.plot_setting] for name, column in table.items()}
        predicted = Predicted(
            progress=progress[:, self._plot_schedule],
            shift=np.zeros((draws, len(self.plots))),
            **gathered,
        )
        return predicted if shifts is None else self._with_shifts(predicted, shifts)

    def _with_shifts(self, predicted: Predicted, shifts: FloatArray) -> Predicted:
        """Let planting, season and lot act; the share of dishes is their own."""
        field = expit(logit(predicted.field_factor) + shifts[..., 1])
        alive = expit(logit(np.minimum(predicted.viability, _SURE)) + shifts[..., 2])
        dish = np.array([plot.dish for plot in self.plots])
        # Pre-sprouted seed has shown at planting that it is alive.
        proven = np.array([plot.handling.sprout_h > 0 for plot in self.plots])
        factor = field / predicted.field_factor * np.where(proven, 1.0, alive / predicted.viability)
        factor = np.where(dish, 1.0, factor)
        return replace(
            predicted,
            share=np.clip(predicted.share * factor, 0.0, 1.0),
            field_factor=field,
            viability=alive,
            shift=shifts[..., 0],
        )

    def _states(
        self, setting: _Setting, values: Draws, rate: ResponseDraws
    ) -> tuple[SeedState, SeedState | None]:
        """State of the seed at planting, and the same a little slower where that matters."""
        plain = seed_state(
            self.crop, values, rate, setting.handling, depth_cm=setting.depth_cm, ln_shift=0.0
        )
        if setting.dish:
            part = values["germination_share"] if self._dish_share is None else self._dish_share
            plain = replace(plain, scale=values["thermal_time_50_Cd"] * part)
        if setting.handling.treatment is Treatment.DIRECT:
            return plain, None
        slower = seed_state(
            self.crop, values, rate, setting.handling, depth_cm=setting.depth_cm, ln_shift=_SHIFT
        )
        return plain, slower

    @staticmethod
    def _fill(
        table: dict[str, FloatArray], place: int, state: SeedState, slower: SeedState | None
    ) -> None:
        table["ln_scale"][:, place] = np.log(state.scale)
        for name in ("credit", "sigma", "z_low", "z_high"):
            table[name][:, place] = getattr(state, name)
        if slower is None:
            return
        for name in ("credit", "z_low", "z_high"):
            now, then = getattr(state, name), getattr(slower, name)
            with np.errstate(invalid="ignore"):  # open ends stay open
                change = np.where(np.isfinite(now) & np.isfinite(then), then - now, 0.0)
            table[f"{name.removeprefix('z_')}_slope"][:, place] = change / _SHIFT

    def _stands(
        self,
        table: dict[str, FloatArray],
        key: tuple[int, int],
        places: list[int],
        states: list[SeedState],
        values: Draws,
        rate: ResponseDraws,
        clock: ThermalClock | None,
    ) -> None:
        """Final stand of each setting at the temperature while its seed waits."""
        median = np.full((rate.size, 1), 0.5)
        halves = None
        if clock is not None:
            needed = np.concatenate([state.needed(median) for state in states], axis=1)
            start = clock.progress_through(self._planted[key])
            halves = clock.cross(clock.first_h, start + needed)
            if not np.isfinite(halves).all():
                end_h = clock.end_h(clock.first_h)
                progress_at_end = clock.progress(clock.first_h, np.array([end_h])) - start
                planted = np.array([self.settings[place].planted_h for place in places])
                halves = half_beyond(
                    halves,
                    planted=planted,
                    span=end_h - planted,
                    needed=needed,
                    done=progress_at_end,
                )
        for column, (place, state) in enumerate(zip(places, states, strict=True)):
            setting = self.settings[place]
            if setting.dish:
                table["share"][:, place] = DISH_SHARE
                if self._dish_share is None:
                    table["rho"][:, place] = DISH_RHO
                continue
            own: Clock
            if clock is None or halves is None:
                own = ConstantClock(draws=rate, temperature_C=float(setting.constant_C or 0.0))
                half = own.cross(setting.planted_h, state.needed(median))[:, 0]
            else:
                own, half = clock, halves[:, column]
            table["share"][:, place] = stand_share(
                self.crop, values, state, own, planted_h=setting.planted_h, half_h=half,
                viability=np.full(rate.size, setting.viability),
            )  # fmt: skip


_COLUMNS = (
    "ln_scale", "credit", "sigma", "z_low", "z_high", "credit_slope", "low_slope", "high_slope",
    "share", "rho", "speed_sd", "field_factor", "viability",
)  # fmt: skip


_OF_PARAMETERS = {
    "rho": "plot_stand_rho", "speed_sd": "plot_speed_sd", "field_factor": "field_factor",
}  # fmt: skip


def _padded(rows: FloatArray, size: int) -> FloatArray:
    """Rows up to ``size`` by repeating the last one."""
    return np.concatenate([rows, np.repeat(rows[-1:], size - rows.shape[0], axis=0)])


def _without_holes(series: xr.DataArray) -> list[xr.DataArray]:
    """Stretches of a series without missing values or jumps in time."""
    hours = hours_since_epoch(series["time"].values)
    finite = np.isfinite(series.values)
    breaks = np.flatnonzero((np.diff(hours) > 1.0 + 1e-6) | (np.diff(finite.astype(int)) != 0)) + 1
    edges = [0, *breaks.tolist(), hours.size]
    return [
        series.isel(time=slice(low, high))
        for low, high in pairwise(edges)
        if high - low >= 24 and finite[low]
    ]


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
    up = [plot for plot in model.plots if plot.emerged > 0 or plot.noted_h is not None]
    means = np.array([model.temperature(plot, middle_h(plot)).mean() for plot in up])
    groups: dict[float, int] = {}
    lowest = -np.inf
    for mean in np.sort(means).tolist():
        if mean - lowest >= _ALIKE_C:
            lowest = mean
        groups[lowest] = groups.get(lowest, 0) + 1
    return Temperatures(means=means, plots_at=tuple(groups.items()))


def middle_h(plot: Plot) -> float:
    """Hour by which half of the seedlings seen had come; the last look where none came."""
    if plot.noted_h is not None:
        return 0.5 * (plot.noted_h[0] + plot.noted_h[1])
    if plot.emerged == 0:
        return plot.last_h
    return float(plot.hours[np.searchsorted(plot.new.cumsum(), 0.5 * plot.emerged)])
