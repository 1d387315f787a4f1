"""Things to do, with their hour, as a calendar takes them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from thermosprout.planning.sprouting import SproutingPlan
from thermosprout.season.schema import local

_KEEP_MOIST = (
    "Plant into moist soil and do not let it dry. Seed that has sprouted for sowing is not food."
)
_FALLBACK = (
    "If the bed is still not free, prick the sprouts into cells or pots, or give this batch up "
    "and sow dry or start a new batch when the bed is free."
)


@dataclass(frozen=True, kw_only=True)
class Event:
    """One thing to do.

    Attributes
    ----------
    key : str
        Stays the same when the plan is made again, so that a calendar replaces the event.
    start : datetime
        Aware, in the grower's time zone.
    """

    key: str
    summary: str
    description: str
    start: datetime
    length: timedelta


def sprouting_events(
    plan: SproutingPlan, zone: ZoneInfo, *, crop: str, bed: str = "", minutes: float = 30.0
) -> tuple[Event, ...]:
    """Start, look, plant, and the fallback of one sprouting batch.

    Parameters
    ----------
    plan : SproutingPlan
        The plan.
    zone : ZoneInfo
        The grower's time zone.
    crop, bed : str
        Named in the events.
    minutes : float
        Work of planting. [min]
    """
    where = f" in {bed}" if bed else ""
    day = local(plan.plant_h, zone).date().isoformat()
    name = f"{crop}/{bed}/{day}"
    count = f"{plan.seeds_to_start} seeds" if plan.seeds_to_start else "the seed"
    cold = (
        f"If they are ready early, hold them at {plan.hold.temperature_C:g} °C, up to "
        f"{plan.hold.days:g} d, in humid air."
        if plan.hold.days
        else "No time in the cold is known for this crop: plant when ready."
    )
    entries = (
        (
            "start",
            f"Wet {crop} seed for sprouting",
            f"Wet {count} on moist paper at {plan.room_C:g} °C, for planting{where} on {day}.",
            plan.start_h,
            15.0,
        ),
        (
            "look",
            f"Look at the {crop} sprouts",
            f"Look daily from now on. Fit to plant with radicles of 2 to 5 mm. {cold}",
            plan.look_h,
            10.0,
        ),
        (
            "plant",
            f"Plant sprouted {crop}{where}",
            f"Odds that the batch is fit to plant: {plan.ready_odds:.0%}. {_KEEP_MOIST}",
            plan.plant_h,
            max(minutes, 15.0),
        ),
        (
            "fallback",
            f"Last day for the sprouted {crop}",
            _FALLBACK,
            plan.last_h,
            15.0,
        ),
    )
    return tuple(
        Event(
            key=f"{name}/{kind}",
            summary=summary,
            description=description,
            start=local(hour, zone),
            length=timedelta(minutes=round(length)),
        )
        for kind, summary, description, hour, length in entries
    )
