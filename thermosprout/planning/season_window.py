"""A sowing window from named sources: years as members, covers modelled from weather."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import numpy.typing as npt
import xarray as xr

from thermosprout.dates import noon
from thermosprout.errors import CoverageError, InputError
from thermosprout.planning.air_steps import AirSteps
from thermosprout.planning.few_draws import FewDraws, draws_for
from thermosprout.planning.many_sowings import SoilSteps
from thermosprout.planning.options import Option
from thermosprout.planning.window import PROBABILITIES, sowing_window
from thermosprout.planning.years import years_as_members
from thermosprout.season.context import Context
from thermosprout.season.schema import hours
from thermosprout.season.setting import Case
from thermosprout.season.soil import describe
from thermosprout.soil.model.surface import cover_named

FloatArray = npt.NDArray[np.float64]

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
        self._soil: dict[tuple[float, str, str | None], dict[str, SoilSteps]] = {}
        self._site_sd_K = 0.0
        self._air: AirSteps | None = None
        self._air_read = False

    @property
    def sowing_h(self) -> FloatArray:
        """Local noons of all days, over changes of the clocks."""
        days = (self.first + timedelta(days=n) for n in range(self.days))
        return np.array([hours(noon(day, self.context.zone)) for day in days])

    def _cut(self, series: xr.DataArray) -> xr.DataArray:
        start = np.datetime64(int(self.sowing_h[0] // 24) * 24, "h")
        cut = years_as_members(series, start, self.days + HARVEST_D, must_d=self.days + EMERGENCE_D)
        self._check(cut, series)
        return cut

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

    def soil(self, case: Case) -> dict[str, SoilSteps]:
        """Steps of each cover at the depth of a case."""
        key = (round(case.depth_cm, 2), case.cover, case.bed)
        if key not in self._soil:
            found: dict[str, SoilSteps] = {}
            for cover in self.covers or (case.cover,):
                series = self._cut(self.context.series(replace(case, cover=cover)))
                self.described = self.described or describe(series)
                self._site_sd_K = float(series.attrs.get("site_sd_K", 0.0))
                found[OPEN_BED if cover == "none" else cover] = SoilSteps.of(series)
            self._soil[key] = found
        return self._soil[key]

    def air(self) -> AirSteps | None:
        """Steps of the air temperature, where weather is known."""
        if not self._air_read:
            air = self.context.air()
            self._air = None if air is None else AirSteps.of(self._cut(air))
            if air is None:
                self.context.note(
                    "Air temperature is not known: growth to harvest runs on soil temperature, "
                    "and frosts are not looked at."
                )
            self._air_read = True
        return self._air

    def window(
        self,
        case: Case,
        options: Sequence[Option],
        *,
        within_d: float = 14.0,
        probabilities: tuple[float, ...] = PROBABILITIES,
        tick: Callable[[int], None] | None = None,
    ) -> xr.Dataset:
        """Sowing window of one case over the days, covers and treatments."""
        crop = case.crop
        soil = self.soil(case)
        middle = self.first + timedelta(days=self.days // 2)
        viability, ln_shift = self.context.lot_draws(case, middle)
        draws = FewDraws.of(
            crop,
            size=draws_for(next(iter(soil.values())).members),
            viability=viability,
            ln_shift=ln_shift,
            site_sd_K=self._site_sd_K,
            seed=self.context.seed,
        )
        return sowing_window(
            crop,
            soil,
            options,
            sowing_h=self.sowing_h,
            depth_cm=case.depth_cm,
            draws=draws,
            air=self.air(),
            within_d=within_d,
            probabilities=probabilities,
            tick=tick,
        )
