"""A succession in a context."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from thermosprout.crops.cautions import cautions
from thermosprout.planning.json_values import Document, local_day
from thermosprout.planning.options import option_named
from thermosprout.planning.season_window import EMERGENCE_D, HARVEST_D, WindowBuilder
from thermosprout.planning.succession import Aim, SuccessionSowing, plan_succession
from thermosprout.season.context import Context
from thermosprout.season.setting import Case


@dataclass(frozen=True, kw_only=True)
class SuccessionAnswer:
    """Sowings of one crop that come at even intervals; ``count`` of them were asked for."""

    sowings: tuple[SuccessionSowing, ...]
    zone: ZoneInfo
    crop: str
    treatment: str
    aim: Aim
    every_d: float
    count: int
    water: str
    cautions: tuple[str, ...] = ()

    @property
    def notes(self) -> tuple[str, ...]:
        """Plain sentences on what the days stand on."""
        short = f"Only {len(self.sowings)} of {self.count} sowings are ready within the record."
        return (self.water, short) if len(self.sowings) < self.count else (self.water,)

    def to_dict(self) -> Document:
        """Return the JSON document."""
        zone, sowings = self.zone, self.sowings
        return {
            "crop": self.crop,
            "treatment": self.treatment,
            "aim": self.aim.value,
            "every_days": self.every_d,
            "sowings_asked": self.count,
            "sowings": [
                {
                    "planted": local_day(one.sow, zone),
                    "days_since_last": None
                    if number == 0
                    else round(
                        float((one.sow - sowings[number - 1].sow) / np.timedelta64(1, "D")), 1
                    ),
                    "wanted": local_day(one.target, zone),
                    "p10": local_day(one.early, zone),
                    "p50": local_day(one.middle, zone),
                    "p90": local_day(one.late, zone),
                    "off_by_days": round(one.miss_d, 1) + 0.0,
                }
                for number, one in enumerate(sowings)
            ],
            "cautions": list(self.cautions),
            "notes": list(self.notes),
        }


def plan_case(
    context: Context,
    case: Case,
    *,
    first: date,
    every_d: float,
    count: int,
    aim: Aim,
    treatment: str,
) -> SuccessionAnswer:
    """Sowing days of a succession.

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
    return SuccessionAnswer(
        sowings=plan_succession(one, first=day, every_d=every_d, count=count, aim=aim),
        zone=context.zone,
        crop=case.crop.name,
        treatment=option.name,
        aim=aim,
        every_d=every_d,
        count=count,
        water=context.water_sentence(),
        cautions=cautions([case.crop], [treatment], dressed=case.dressed or None),
    )


def _held(context: Context, case: Case, first: date, last: date) -> date:
    """Last day of the succession, cut to a record that holds one season only."""
    series = context.series(case)
    begins, ends = (date.fromisoformat(str(series["time"].values[at])[:10]) for at in (0, -1))
    if (ends - begins).days < 365 + HARVEST_D and ends > first:
        return min(last, max(ends - timedelta(days=EMERGENCE_D + 2), first))
    return last
