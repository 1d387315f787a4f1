"""The answer of ``presprout``: one sprouting batch, what to do when, and its cautions."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from thermosprout.crops.crop import DRESSED, Crop, cautions
from thermosprout.dates import day_words, noon
from thermosprout.emergence.treatments import Treatment
from thermosprout.errors import InputError
from thermosprout.planning.evidence import handling_grounds
from thermosprout.planning.options import minutes_of
from thermosprout.planning.sprouting import SproutingPlan, cold_losses, plan_sprouting
from thermosprout.quantities import both_scales, percent
from thermosprout.season.context import Context
from thermosprout.season.schema import Document, hours, instant, local, rounded
from thermosprout.season.setting import Question

_KEEP_MOIST = (
    "Water a dry bed first, as sprouts lose most of their lead in it, and do not let it dry."
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


@dataclass(frozen=True, kw_only=True)
class PresproutAnswer:
    """A batch for a crop, a lot and a bed."""

    plan: SproutingPlan
    events: tuple[Event, ...]
    zone: ZoneInfo
    crop: Crop
    lot: str | None = None
    bed: str | None = None

    def to_dict(self) -> Document:
        """Return the JSON document."""
        plan, zone = self.plan, self.zone

        def at(hour: float) -> str:
            return local(hour, zone).isoformat()

        return {
            "crop": self.crop.name,
            "called": self.crop.common_name,
            "lot": self.lot,
            "bed": self.bed,
            "room_C": plan.room_C,
            "start": at(plan.start_h),
            "first_look": at(plan.look_h),
            "plant": at(plan.plant_h),
            "bed_free_until": at(plan.plant_until_h),
            "fallback": at(plan.last_h),
            "days_until_ready": rounded(plan.ready_d),
            "days_plantable_in_the_room": rounded(plan.plantable_d),
            "ready_odds": round(plan.ready_odds, 3),
            "ready_odds_without_cold": round(plan.ready_odds_without_hold, 3),
            "too_short_odds": round(plan.too_short_odds, 3),
            "hold": asdict(plan.hold) if plan.hold.days else None,
            "cold_losses": [asdict(loss) for loss in cold_losses(self.crop)],
            "plants_wanted": plan.target,
            "sprouted_share": round(plan.sprouted_share, 3),
            "seeds_to_plant": plan.seeds_to_plant,
            "seeds_to_start": plan.seeds_to_start,
            "events": [
                {
                    "summary": event.summary,
                    "start": event.start.isoformat(),
                    "description": event.description,
                }
                for event in self.events
            ],
            "cautions": list(cautions([self.crop], ["presprouted"])),
            "notes": [*plan.notes, *handling_grounds(self.crop, ("sprouting",))],
        }


def plan_batch(
    context: Context,
    question: Question,
    *,
    bed_free: tuple[date, date] | None = None,
    room_C: float = 20.0,
    plants: int = 100,
    may_hold: bool = True,
    past_season: bool = False,
) -> PresproutAnswer:
    """Plan a sprouting batch for the day a bed comes free.

    Parameters
    ----------
    bed_free : (date, date), optional
        First and last day on which the bed may come free; as the season has it when absent.
    room_C : float
        Where the seed sprouts. [degC]
    plants : int
        Plants wanted.
    may_hold : bool
        Sprouted seed may be held in the cold.
    past_season : bool
        Today was named, so that seed cannot be wetted before it even where the bed is past.

    Raises
    ------
    InputError
        When the lot is dressed, or no day is known.
    """
    case = context.case(question)
    if case.lot is not None and case.dressed:
        raise InputError(f"lot {case.lot.id} is dressed. {DRESSED}")
    bed, zone, now_h = context.bed(question.bed), context.zone, context.now_h
    if bed_free is not None:
        first, last = (hours(noon(day, zone)) for day in bed_free)
    elif bed is not None and bed.free_from is not None:
        first = last = hours(instant(bed.free_from, zone))
    else:
        raise InputError("no day was named", hint="add --bed-free 2026-05-10")
    viability, ln_shift = context.lot_draws(case, local(first, zone).date())
    # Seed cannot be wetted in the past, unless a past season is looked at.
    if not past_season and last < now_h - 24.0:
        day = local(last, zone).date().isoformat()
        context.note(f"{day} is past: the plan is for a batch of that time.")
    plan = plan_sprouting(
        context.draws(case.crop),
        viability=viability,
        ln_shift=ln_shift,
        room_C=room_C,
        bed_from_h=first,
        bed_until_h=last,
        zone=zone,
        earliest_start_h=now_h if past_season or now_h < first else None,
        target=plants,
        may_hold=may_hold,
        seed=context.seed,
    )
    return PresproutAnswer(
        plan=plan,
        events=sprouting_events(
            plan,
            zone,
            crop=case.crop,
            bed=question.bed,
            minutes=minutes_of(context.season)[Treatment.PRESPROUTED],
        ),
        zone=zone,
        crop=case.crop,
        lot=question.lot_name,
        bed=question.bed or None,
    )


def sprouting_events(
    plan: SproutingPlan, zone: ZoneInfo, *, crop: Crop, bed: str, minutes: float
) -> tuple[Event, ...]:
    """Start, look, plant, and the fallback of one sprouting batch.

    Parameters
    ----------
    plan : SproutingPlan
        The plan.
    zone : ZoneInfo
        The grower's time zone.
    crop, bed : Crop, str
        Named in the events.
    minutes : float
        Work of planting. [min]
    """
    called, where = crop.common_name, f" in {bed}" if bed else ""
    day = local(plan.plant_h, zone).date()
    count = f"{plan.seeds_to_start} seeds" if plan.seeds_to_start else "the seed"
    cold = "No time in the cold is known for this crop: plant when ready."
    if plan.hold.days:
        cold = (
            f"If they are ready early, hold them in humid air at "
            f"{both_scales(plan.hold.temperature_C)}, up to {plan.hold.days:g} days."
        )

    def event(kind: str, hour: float, length: float, summary: str, description: str) -> Event:
        return Event(
            key=f"{crop.name}/{bed}/{day.isoformat()}/{kind}",
            summary=summary,
            description=description,
            start=local(hour, zone),
            length=timedelta(minutes=round(length)),
        )

    return (
        event(
            "start", plan.start_h, 15.0, f"Wet {called} seed for sprouting",
            f"Wet {count} on moist paper at {both_scales(plan.room_C)}, for planting{where} on "
            f"{day_words(day)}.",
        ),
        event(
            "look", plan.look_h, 10.0, f"Look at the {called} sprouts",
            f"Look daily from now on. Fit to plant with roots of 2–5 mm. {cold}",
        ),
        event(
            "plant", plan.plant_h, max(minutes, 15.0), f"Plant sprouted {called}{where}",
            f"Odds that the batch is fit to plant: {percent(plan.ready_odds)}. {_KEEP_MOIST}",
        ),
        event("fallback", plan.last_h, 15.0, f"Last day for the sprouted {called}", _FALLBACK),
    )  # fmt: skip
