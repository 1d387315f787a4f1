"""A succession in a context."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np

from thermosprout.crops.crop import Crop
from thermosprout.errors import InputError
from thermosprout.planning.options import Option, usual_options
from thermosprout.planning.season_window import EMERGENCE_D, HARVEST_D, WindowBuilder
from thermosprout.planning.succession import Aim, SuccessionSowing, plan_succession
from thermosprout.season.context import Context
from thermosprout.season.setting import Case


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


def plan_case(
    context: Context,
    case: Case,
    *,
    first: date,
    every_d: float,
    count: int,
    aim: Aim,
    treatment: str,
) -> tuple[str, tuple[SuccessionSowing, ...]]:
    """Sowing days of a succession and the name of the way it is sown.

    Raises
    ------
    InputError
        When the treatment makes no sense.
    CoverageError
        When the record does not hold the first day.
    """
    option = option_named(case.crop, treatment, dressed=case.dressed)
    # While the season warms, what is sown later catches up, so sowings lie further apart than
    # what they give; twice as far is more than enough.
    last = first + timedelta(days=min(int(np.ceil(2 * every_d * count)) + 14, 365))
    builder = WindowBuilder(context, first=first, last=_held(context, case, first, last))
    one = builder.window(case, (option,)).isel(cover=0, treatment=0)
    day: np.datetime64 = np.datetime64(round(builder.sowing_h[0] * 60), "m").astype(
        "datetime64[ns]"
    )
    return option.name, plan_succession(one, first=day, every_d=every_d, count=count, aim=aim)


def _held(context: Context, case: Case, first: date, last: date) -> date:
    """Last day of the succession, cut to a record that holds one season only."""
    series = context.series(case)
    begins, ends = (date.fromisoformat(str(series["time"].values[at])[:10]) for at in (0, -1))
    if (ends - begins).days < 365 + HARVEST_D and ends > first:
        return min(last, max(ends - timedelta(days=EMERGENCE_D + 2), first))
    return last
