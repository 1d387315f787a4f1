"""A sowing window in a context: years as members, covers modelled from weather."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import xarray as xr

from thermosprout.arrays import FloatArray
from thermosprout.dates import noon
from thermosprout.emergence.course_table import CourseTable
from thermosprout.emergence.forecast import clock_for
from thermosprout.emergence.harvest import Air, HarvestNeed
from thermosprout.errors import CoverageError, InputError
from thermosprout.planning.options import Option
from thermosprout.planning.window import PROBABILITIES, SEEDS, WindowQuestion, sowing_window
from thermosprout.planning.years import years_as_members
from thermosprout.season.context import Context
from thermosprout.season.schema import hours
from thermosprout.season.setting import Case
from thermosprout.season.soil import describe
from thermosprout.soil.model.surface import cover_named

OPEN_BED = "open bed"

EMERGENCE_D = 21
"""Days past the last sowing that a year must hold to count. [d]"""

HARVEST_D = 200
"""Days past the last sowing that are looked at where the record holds them. [d]"""


class WindowBuilder:
    """Opens soil and air once and answers for many crops.

    Parameters
    ----------
    context : Context
        Season, files or series that the soil and the air are taken from.
    first, last : date
        First and last day of planting, local.
    covers : sequence of str
        Names of covers; the open bed when empty.

    Raises
    ------
    InputError
        When the days run backwards or a constant temperature was named.
    """

    def __init__(
        self, context: Context, *, first: date, last: date, covers: Sequence[str] = ()
    ) -> None:
        if context.constant_C is not None:
            raise InputError(
                "a sowing window needs weather, not a constant temperature",
                hint="give a season file, --soil or --weather",
            )
        days = (last - first).days + 1
        if not 1 <= days <= 731:
            raise InputError(
                f"a window from {first} to {last} was asked for, expected 1 to 731 days"
            )
        self.context = context
        self.days = days
        self.first = first
        self.covers = tuple(dict.fromkeys(cover_named(name).name for name in covers))
        self.described = ""
        self._soil: dict[tuple[float, str, str | None], dict[str, CourseTable]] = {}
        self._air: Air | None = None
        self._air_read = False

    @property
    def sowing_h(self) -> FloatArray:
        """Local noons of all days, over changes of the clocks."""
        days = (self.first + timedelta(days=n) for n in range(self.days))
        return np.array([hours(noon(day, self.context.zone)) for day in days])

    def _cut(
        self, series: xr.DataArray, slowing: FloatArray | None = None
    ) -> tuple[xr.DataArray, FloatArray | None]:
        """Years of a record as members, and what drought does in each."""
        start = np.datetime64(int(self.sowing_h[0] // 24) * 24, "h")
        cut, slow = years_as_members(
            series,
            start,
            self.days + HARVEST_D,
            must_d=self.days + EMERGENCE_D,
            slowing=slowing,
        )
        self._check(cut, series)
        return cut, slow

    def _check(self, cut: xr.DataArray, series: xr.DataArray) -> None:
        """Refuse days that no year of the record holds."""
        last = np.datetime64(int(self.sowing_h[-1]), "h") + np.timedelta64(24, "h")
        held = cut.sel(time=slice(None, last))
        values = np.atleast_2d(held.values)
        if held["time"].values[-1] < last or not np.isfinite(values[:, -1]).any():
            ends = series["time"].values
            raise CoverageError(
                f"the record runs from {str(ends[0])[:10]} to {str(ends[-1])[:10]} and does not "
                f"hold planting days up to {str(last)[:10]}",
                hint="end the window earlier with --to, or give a longer record",
            )

    def soil(self, case: Case) -> dict[str, CourseTable]:
        """Soil temperature at the depth of a case, slowed by drought, by cover."""
        key = (round(case.depth_cm, 2), case.cover, case.bed)
        if key not in self._soil:
            tables: dict[str, CourseTable] = {}
            for cover in self.covers or (case.cover,):
                series, slowing = self._cut(*self.context.ground(replace(case, cover=cover)))
                self.described = self.described or describe(series)
                tables[OPEN_BED if cover == "none" else cover] = CourseTable(series, slowing)
            self._soil[key] = tables
        return self._soil[key]

    def air(self) -> Air | None:
        """Air temperature, where weather is known."""
        if not self._air_read:
            air = self.context.air()
            self._air = None if air is None else Air.of(self._cut(air)[0])
            if air is None:
                self.context.note(
                    "Air temperature is not known: growth to harvest runs on soil temperature, "
                    "and frosts are not looked at."
                )
            self._air_read = True
        return self._air

    def lot_draws(self, case: Case) -> tuple[FloatArray, FloatArray]:
        """Viability and shift of ln thermal time, (draw,), or (draw, day) where the lot ages."""
        days = [self.first + timedelta(days=n) for n in range(self.days)]
        lot = case.lot
        if lot is None or lot.age_d(days[0]) == lot.age_d(days[-1]):
            return self.context.lot_draws(case, days[0])
        alive, shift = zip(*(self.context.lot_draws(case, day) for day in days), strict=True)
        return np.stack(alive, axis=1), np.stack(shift, axis=1)

    def window(
        self,
        case: Case,
        options: Sequence[Option],
        *,
        seeds: int = SEEDS,
        within_d: float = 14.0,
        probabilities: tuple[float, ...] = PROBABILITIES,
        tick: Callable[[int], None] | None = None,
    ) -> xr.Dataset:
        """Sowing window of one case over the days, covers and treatments."""
        context = self.context
        draws = context.draws(case.crop)
        viability, ln_shift = self.lot_draws(case)
        question = WindowQuestion(
            draws=draws,
            viability=viability,
            ln_shift=ln_shift,
            planted_h=self.sowing_h,
            depth_cm=case.depth_cm,
            need=HarvestNeed.of(case.crop, draws.rates.size, context.seed),
            seeds=seeds,
            air=self.air(),
            within_d=within_d,
            probabilities=probabilities,
            seed=context.seed,
        )
        beds = {
            cover: clock_for(draws, table, seed=context.seed)
            for cover, table in self.soil(case).items()
        }
        return sowing_window(question, beds, options, tick=tick)
