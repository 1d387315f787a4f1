"""What to do this week, read off the forecast of a season: start, look, plant, expect, stop."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from datetime import date, datetime, timedelta
from enum import StrEnum
from typing import Any

import numpy as np

from thermosprout.crops.crop import DRESSED, cautions
from thermosprout.dates import day_range, day_words
from thermosprout.emergence.forecast import STAGES
from thermosprout.emergence.treatments import Treatment
from thermosprout.emergence.weighted_draws import weighted_quantile
from thermosprout.errors import InputError
from thermosprout.planning.sprouting import radicles_ready_h
from thermosprout.quantities import both_scales, percent
from thermosprout.season.forecast import RowAnswer, SeasonForecast
from thermosprout.season.schema import hours, local

WEEK_D = 7
"""Days that are this week, today included."""

AHEAD_D = 21
"""Days looked ahead in all."""

LIKELY_FAILED = 0.5
"""From these odds of failure on, the row is worth a decision now (our judgement)."""

_STAGES = {
    "first": "First seedlings",
    "half": "Half of the stand",
    "full": "Nine tenths of the stand",
}

_MORNING = 6
_ALL_UP = 0.95


class Kind(StrEnum):
    """What a task is, in the order in which tasks of one day are done."""

    STOP = "stop waiting"
    SOAK = "start soaking"
    SPROUT = "start sprouting"
    LOOK = "look at sprouts"
    SOW = "sow"
    PLANT = "plant"
    EXPECT = "expect"


@dataclass(frozen=True, kw_only=True)
class Task:
    """One thing to do, or to expect, for one row.

    Attributes
    ----------
    kind : Kind
    row, crop, called, treatment : str
    day : date
        Local day; today for what is going on already.
    until : date or None
        Last local day, for what may happen over several days.
    sentence, why : str
        What to do, and the numbers behind it.
    cautions : tuple of str
        For the one who handles the seed.
    """

    kind: Kind
    row: str
    crop: str
    called: str
    treatment: str
    day: date
    until: date | None
    sentence: str
    why: str
    cautions: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Return the task as plain data."""
        until = self.until.isoformat() if self.until else None
        document = asdict(self) | {"day": self.day.isoformat(), "until": until}
        return {"task": str(document.pop("kind")), **document, "cautions": list(self.cautions)}


@dataclass(frozen=True, kw_only=True)
class Week:
    """Tasks of this week and of the two after it, each in order of day."""

    site: str
    as_of: datetime
    today: date
    last: date
    now: tuple[Task, ...]
    later: tuple[Task, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON document."""
        return {
            "site": self.site,
            "as_of": self.as_of.isoformat(),
            "today": self.today.isoformat(),
            "last": self.last.isoformat(),
            "tasks": [task.to_dict() for task in self.now],
            "later": [task.to_dict() for task in self.later],
        }


def this_week(result: SeasonForecast) -> Week:
    """Tasks of all rows of a season, seen from the forecast's own today.

    A row whose day of planting has passed is taken as planted on it.
    """
    zone = result.season.data.site.zone
    today = result.as_of.astimezone(zone).date()
    last = today + timedelta(days=WEEK_D - 1)
    tasks = [task for answer in result.rows for task in _Row(answer, result).tasks(today)]
    order = list(Kind)
    tasks.sort(key=lambda task: (task.day, order.index(task.kind), task.row))
    return Week(
        site=result.season.data.site.name,
        as_of=result.as_of,
        today=today,
        last=last,
        now=tuple(task for task in tasks if task.day <= last),
        later=tuple(task for task in tasks if task.day > last),
    )


class _Row:
    """One row on the days around today."""

    def __init__(self, answer: RowAnswer, result: SeasonForecast) -> None:
        self.answer = answer
        self.forecast = answer.forecast
        self.sowing = answer.forecast.sowing
        self.zone = result.season.data.site.zone
        self.now_h = hours(result.as_of)
        self.treatment = self.sowing.handling.treatment
        self.started = self.day(self.sowing.started_h)
        self.planted = self.day(self.sowing.planted_h)
        self.dressed = result.season.row_lot(answer.row).dressed
        # Nobody gets up at night to soak seed: it is done in the evening before.
        early = local(self.sowing.started_h, self.zone).hour < _MORNING
        self.handled = self.started - timedelta(days=1) if early else self.started

    def day(self, hour: float) -> date:
        return local(hour, self.zone).date()

    def task(
        self,
        kind: Kind,
        day: date,
        sentence: str,
        why: str,
        *,
        until: date | None = None,
        handled: str = "",
    ) -> Task:
        return Task(
            kind=kind,
            row=self.sowing.row,
            crop=self.answer.crop.name,
            called=self.answer.crop.common_name,
            treatment=str(self.treatment),
            day=day,
            until=until if until is not None and until > day else None,
            sentence=sentence,
            why=why,
            cautions=self._cautions(handled),
        )

    def _cautions(self, way: str) -> tuple[str, ...]:
        """Cautions for seed that is handled in a way today; none where none is handled."""
        if not way or (way == "direct" and not self.dressed):
            return ()
        return cautions([self.answer.crop], [way], dressed=self.dressed or None)

    def tasks(self, today: date) -> Iterator[Task]:
        end = today + timedelta(days=AHEAD_D - 1)
        if today <= self.handled <= end and self.treatment is not Treatment.DIRECT:
            yield self._start()
        if self.treatment is Treatment.PRESPROUTED and self.planted > today:
            yield from self._look(today, end)
        if today <= self.planted <= end:
            yield self._plant()
        stop = self._stop(today, end)
        if stop is not None:
            yield stop
        if stop is None or stop.day > today:
            yield from self._expect(today, end)

    def _start(self) -> Task:
        handling = self.sowing.handling
        if self.dressed:
            return self.task(
                Kind.SOW,
                self.handled,
                f"Do not wet this seed, it is dressed: sow it dry on {day_words(self.planted)}.",
                DRESSED,
                handled="direct",
            )
        seeds = self.sowing.seeds_started
        count = f"{seeds} seeds" if seeds else "the seed"
        if self.treatment is Treatment.SOAKED:
            when = local(self.sowing.started_h, self.zone)
            evening = self.handled < self.started
            clock = "in the evening" if evening else f"at about {when:%H:%M}"
            return self.task(
                Kind.SOAK,
                self.handled,
                f"Put {count} in water {clock}, for about {handling.soak_h:g} h.",
                f"Sowing is on {day_words(self.planted)}.",
                handled=str(self.treatment),
            )
        return self.task(
            Kind.SPROUT,
            self.handled,
            f"Wet {count} on moist paper at {both_scales(handling.room_C)}.",
            f"Planting is on {day_words(self.planted)}. {self._ready_words()}",
            handled=str(self.treatment),
        )

    def _ready(self) -> tuple[float, float, float] | None:
        """Hours at which radicles are long enough to plant: p10, p50, p90."""
        try:
            ready_h = radicles_ready_h(
                self.forecast.draws,
                ln_shift=self.forecast.ln_shift,
                room_C=self.sowing.handling.room_C,
            )
        except InputError:
            return None
        at = weighted_quantile(ready_h, self.forecast.weights, [0.1, 0.5, 0.9])
        if not np.isfinite(at).all():
            return None
        low, middle, high = (float(self.sowing.started_h + hour) for hour in at)
        return low, middle, high

    def _ready_words(self) -> str:
        ready = self._ready()
        if ready is None:
            return "How long roots take in that room is unknown: look daily."
        low, middle, high = (self.day(hour) for hour in ready)
        return (
            f"Roots of 2 mm, long enough to plant, are likely about {day_words(middle)} "
            f"({day_range(low, high)}, 80 % range)."
        )

    def _look(self, today: date, end: date) -> Iterator[Task]:
        ready = self._ready()
        first = self.started + timedelta(days=1) if ready is None else self.day(ready[0])
        first = min(max(first, self.started + timedelta(days=1), today), self.planted)
        if self.started > end or first > end:
            return
        yield self.task(
            Kind.LOOK,
            first,
            "Look daily; plant when roots are 2–5 mm long. Keep the paper moist.",
            self._ready_words(),
            until=self.planted,
        )

    def _plant(self) -> Task:
        sowing = self.sowing
        depth = f"{sowing.depth_cm:g} cm ({sowing.depth_cm / 2.54:.2g} in)"
        sprouted = self.treatment is Treatment.PRESPROUTED
        verb = "Plant" if sprouted else "Sow"
        soil = f"Mean soil temperature until half is up: {self.forecast.soil_mean_C():.1f} °C."
        return self.task(
            Kind.PLANT if sprouted else Kind.SOW,
            self.planted,
            f"{verb} {sowing.seeds_planted} seeds {depth} deep"
            + (", sprouts upwards or lying, into moist soil." if sprouted else "."),
            f"{self._stage_words('first')} {soil}",
            handled=str(self.treatment) if sprouted or self.dressed else "",
        )

    def _range(self, stage: str) -> tuple[date | None, date | None, date | None]:
        low, middle, high = (
            self.day(float(hour)) if np.isfinite(hour) else None
            for hour in self.forecast.stage_quantile(stage, [0.1, 0.5, 0.9])
        )
        return low, middle, high

    def _stage_words(self, stage: str) -> str:
        name = _STAGES[stage].removesuffix(" of the stand") if stage == "full" else _STAGES[stage]
        low, middle, high = self._range(stage)
        if low is None:
            return f"{name}: later than the soil temperature record."
        likely = day_words(middle) if middle else "later"
        return f"{name} likely about {likely} ({day_range(low, high)}, 80 % range)."

    def _expect(self, today: date, end: date) -> Iterator[Task]:
        """Next stage that is still to come."""
        emerged = max((count.emerged for count in self.answer.counts), default=0)
        for stage in STAGES[1:] if emerged else STAGES:
            low, middle, high = self._range(stage)
            over = high is not None and high < today
            if over or (middle is not None and middle < today and stage != STAGES[-1]):
                continue
            if low is None or low > end:
                return
            over_already, ends = self._record_end(high, today)
            counts = f" Counted so far: {emerged}." if self.answer.counts else ""
            yield self.task(
                Kind.EXPECT,
                max(low, today),
                f"{_STAGES[stage]}{over_already}. Look and count.",
                self._stage_words(stage) + counts + ends,
                until=high,
            )
            return

    def _record_end(self, high: date | None, today: date) -> tuple[str, str]:
        """What the end of the record leaves open of a stage: its days up to today, its last day."""
        if high is not None or not math.isfinite(self.forecast.horizon_h):
            return "", ""
        last = self.day(self.forecast.horizon_h)
        words = f"the soil temperature ends on {day_words(last)}"
        over = f", or over already: {words}" if last < today else ""
        return over, f" T{words[1:]}: the end of this stage is not a date."

    def _stop(self, today: date, end: date) -> Task | None:
        if self.planted > today:
            return None
        conditioned = self.answer.conditioned
        if conditioned is not None and conditioned.failed_odds >= LIKELY_FAILED:
            return self.task(
                Kind.STOP,
                today,
                "Decide whether to fill the gaps or to sow again.",
                "By what was counted, the odds that the row has failed are "
                f"{percent(conditioned.failed_odds)}; judging by this season's other rows, "
                f"{percent(conditioned.failed_before)} of rows fail anyway.",
            )
        wait_h = self.forecast.wait_until_h
        if not np.isfinite(wait_h):
            return None
        emerged = max((count.emerged for count in self.answer.counts), default=0)
        stand = self.forecast.stand_quantile([0.5])[0] * self.sowing.seeds_planted
        until = self.day(wait_h)
        if emerged >= _ALL_UP * stand > 0:
            return None
        if not today - timedelta(days=WEEK_D) < until <= end:
            return None
        passed = "passed on" if until < today else "is"
        return self.task(
            Kind.STOP,
            max(until, today),
            "Seed not up by then is unlikely to come: keep the row, fill the gaps, or sow again.",
            f"The day after which fewer than 1 seedling in 20 is still to come {passed} "
            f"{day_words(until)}.",
        )
