"""A succession from named sources."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import xarray as xr

from thermosprout.crops.crop import Crop
from thermosprout.errors import InputError
from thermosprout.planning.options import Option, usual_options
from thermosprout.planning.season_window import EMERGENCE_D, HARVEST_D, WindowBuilder
from thermosprout.planning.sources import Sources, day_hour
from thermosprout.planning.succession import Aim, SuccessionSowing, plan_succession


def option_named(crop: Crop, treatment: str, *, dressed: bool = False) -> Option:
    """Usual way of one treatment for a crop.

    Raises
    ------
    InputError
        When there is no such treatment, or the lot is dressed and may only be sown dry.
    """
    options = {
        option.handling.treatment.value: option for option in usual_options(crop, dressed=dressed)
    }
    if treatment in options:
        return options[treatment]
    if dressed and treatment in ("soaked", "presprouted"):
        raise InputError("dressed seed is sown dry", hint="use --treatment direct")
    raise InputError(f"there is no treatment {treatment!r}; one of {', '.join(options)}")


def plan_from_sources(
    sources: Sources, *, first: str, every_d: float, count: int, aim: Aim, treatment: str
) -> tuple[str, tuple[SuccessionSowing, ...]]:
    """Sowing days of a succession and the name of the way it is sown.

    Raises
    ------
    InputError
        When the first day or the treatment makes no sense.
    CoverageError
        When the record does not hold the first day.
    """
    crop = sources.crop()
    lot = sources.lot()
    option = option_named(crop, treatment, dressed=lot is not None and lot.dressed)
    begin = date.fromisoformat(first)
    # While the season warms, what is sown later catches up, so sowings lie further apart than
    # what they give; twice as far is more than enough.
    last = begin + timedelta(days=min(int(np.ceil(2 * every_d * count)) + 14, 365))
    window = _window(sources, crop, option, begin, _held(sources, begin, last))
    day = np.datetime64(round(day_hour(first, sources.zone) * 60), "m").astype("datetime64[ns]")
    one = window.isel(cover=0, treatment=0)
    return option.name, plan_succession(one, first=day, every_d=every_d, count=count, aim=aim)


def _window(sources: Sources, crop: Crop, option: Option, first: date, last: date) -> xr.Dataset:
    return WindowBuilder(sources, first=first, last=last).window(crop, (option,))


def _held(sources: Sources, first: date, last: date) -> date:
    """Last day of the succession, cut to a record that holds one season only."""
    series = sources.soil(sources.depth_cm(sources.crop()))
    begins, ends = (date.fromisoformat(str(series["time"].values[at])[:10]) for at in (0, -1))
    if (ends - begins).days < 365 + HARVEST_D and ends > first:
        return min(last, max(ends - timedelta(days=EMERGENCE_D + 2), first))
    return last
