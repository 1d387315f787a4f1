"""Plan of a trial: where each plot goes, what is done when, and the records file it starts with."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta, tzinfo
from enum import StrEnum
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from thermosprout.errors import InputError, Place
from thermosprout.quantities import IntArray
from thermosprout.special import ndtr
from thermosprout.trials.records.values import FORMAT, KNOWN, Moment, read_label, read_moment

if TYPE_CHECKING:
    from thermosprout.crops.crop import Crop


_MOST_PLOTS = 5_000


class Layout(StrEnum):
    """How plots are randomised."""

    BLOCKS = "blocks"
    LATIN = "latin"
    SINGLE = "single"
    SPLIT = "split"


LAYOUT_WORDS = {
    Layout.BLOCKS: "randomised complete blocks: every block holds each treatment of each variety "
    "once, in random order",
    Layout.LATIN: "Latin square: everything once in every row and every column, for a bed that "
    "changes both ways",
    Layout.SINGLE: "plots in one random order, without blocks: for even ground such as a bench of "
    "trays",
    Layout.SPLIT: "planting days in random order within each block, treatments in random order "
    "within each day",
}


@dataclass(frozen=True, kw_only=True)
class Spot:
    """One plot of the plan.

    Attributes
    ----------
    plot : str
        Label, block letter and number.
    block : str
        Plots of one block lie side by side and are compared with each other.
    row, column : int
        Place in the bed, counted from zero; rows are blocks or parts of them.
    variety, treatment : str
    day : int
        Which of the planting days, counted from zero.
    """

    plot: str
    block: str
    row: int
    column: int
    variety: str
    treatment: str
    day: int = 0


def lay_out(
    layout: Layout,
    varieties: Sequence[str],
    treatments: Sequence[str],
    replicates: int,
    rng: np.random.Generator,
    *,
    days: int = 1,
) -> tuple[Spot, ...]:
    """Place every combination of variety and treatment.

    Parameters
    ----------
    layout : Layout
    varieties, treatments : sequence of str
        Without doubles.
    replicates : int
        Blocks, or plots of each combination where there are no blocks; in a Latin square it is
        the number of combinations.
    rng : numpy.random.Generator
    days : int
        Planting days; only the split layout has more than one.

    Raises
    ------
    InputError
        When there is nothing to compare, names are doubled, or the layout cannot hold them.

    Notes
    -----
    Fisher (1935), The Design of Experiments, ch. 4 and 5.
    """
    cells = _cells(varieties, treatments)

    def spot(cell: int, letter: str, number: int, row: int, column: int, day: int = 0) -> Spot:
        variety, treatment = cells[cell]
        block = letter if days == 1 else f"{letter}-{day + 1}"
        return Spot(
            plot=f"{letter}{number + 1}", block=block, row=row, column=column, variety=variety,
            treatment=treatment, day=day,
        )  # fmt: skip

    if days < 1 or (days > 1) != (layout is Layout.SPLIT):
        raise InputError(
            "several planting days go with the layout `split`, and it needs at least two"
        )
    if replicates < 1:
        raise InputError(f"found {replicates} replicates, expected 1 or more")
    if len(cells) * replicates * days > _MOST_PLOTS:
        raise InputError(f"{len(cells) * replicates * days} plots are more than {_MOST_PLOTS}")
    size = len(cells)
    if layout is Layout.LATIN:
        square = _latin(size, replicates, rng)
        return tuple(
            spot(int(square[row, column]), letters(row), column, row, column)
            for row, column in np.ndindex(size, size)
        )
    if layout is Layout.SINGLE:
        order = rng.permutation(np.repeat(np.arange(size), replicates))
        return tuple(spot(c, "A", k, k // size, k % size) for k, c in enumerate(order))
    return tuple(
        spot(c, letters(block), row * size + column, block * days + row, column, int(day))
        for block in range(replicates)
        for row, day in enumerate(rng.permutation(days))
        for column, c in enumerate(rng.permutation(size))
    )


def _cells(varieties: Sequence[str], treatments: Sequence[str]) -> list[tuple[str, str]]:
    for words, names in (("variety", varieties), ("treatment", treatments)):
        if not names or (words == "treatment" and any(not name.strip() for name in names)):
            raise InputError(f"name at least one {words}")
        if len({name.casefold() for name in names}) < len(names):
            raise InputError(f"a {words} is named twice")
    cells = list(product(varieties, treatments))
    if len(cells) < 2:
        raise InputError(
            "one variety with one treatment leaves nothing to compare",
            hint="name at least two treatments or two varieties",
        )
    return cells


def _latin(size: int, replicates: int, rng: np.random.Generator) -> IntArray:
    """Combination in each row and column of a square, in random order."""
    if replicates != size:
        raise InputError(
            f"a Latin square of {size} combinations has {size} rows, found {replicates}",
            hint=f"ask for {size} replicates or take the layout `blocks`",
        )
    square = (np.arange(size)[:, None] + np.arange(size)[None, :]) % size
    square = rng.permutation(size)[square]
    return np.asarray(square[rng.permutation(size)][:, rng.permutation(size)])


def letters(index: int) -> str:
    """Letters of a block: A to Z, then AA and on."""
    text = ""
    index += 1
    while index:
        index, rest = divmod(index - 1, 26)
        text = chr(65 + rest) + text
    return text


_HEADER = tuple(name for name in KNOWN if name != "temperature_C")


class Together(StrEnum):
    """What all treatments do on the same day."""

    PLANT = "plant"
    START = "start"


ANSWERS = {
    Together.PLANT: "All go into the ground together, handled seed having been started before. "
    "Compare by days since planting: it answers how long a bed is taken up, and all plots meet the "
    "same weather.",
    Together.START: "All seed is started together, and handled seed is planted when it is ready. "
    "Compare by days since started: it answers what is up first from the day you begin. Plots "
    "meet different weather, so measure the soil temperature and compare on the thermal-time "
    "clock too.",
}
"""Which comparison each way of lining up the treatments answers."""


@dataclass(frozen=True, kw_only=True)
class Plan:
    """All that a trial file and its calendar need.

    Attributes
    ----------
    spots : tuple of Spot
    together : Together
    planting : tuple of Moment
        The day, or days, that all treatments share.
    lead_h : dict
        Hours from starting the seed to planting it, by treatment; others are sown dry.
    stations, seeds_per_station : int
        Per plot.
    sprout_share : float
        Share of the seed started that is expected to sprout.
    depth_cm : float
    seed_lot : str
    timezone : tzinfo
    """

    spots: tuple[Spot, ...]
    together: Together
    planting: tuple[Moment, ...]
    lead_h: Mapping[str, float]
    stations: int
    seeds_per_station: int
    sprout_share: float
    depth_cm: float
    seed_lot: str
    timezone: tzinfo

    def __post_init__(self) -> None:
        if self.stations < 1 or self.seeds_per_station < 1:
            raise InputError("a plot needs at least one station with one seed")
        if not 0.05 <= self.sprout_share <= 1.0:
            raise InputError("the share that sprouts lies between 0.05 and 1")
        labels = {self.seed_lot, *(n for s in self.spots for n in (s.variety, s.treatment))}
        for name in sorted(labels):
            read_label(name, Place(file="plan"))

    @property
    def seeds(self) -> int:
        """Seeds planted per plot."""
        return self.stations * self.seeds_per_station

    def lead(self, spot: Spot) -> timedelta:
        """Time from starting the seed to planting it."""
        return timedelta(hours=self.lead_h.get(spot.treatment.casefold(), 0.0))

    def dates(self, spot: Spot) -> tuple[str, str]:
        """Started and planted as written to the records."""
        shared, lead = self.planting[spot.day], self.lead(spot)
        if self.together is Together.PLANT:
            return self._text(shared, -lead), shared.text
        return shared.text, self._text(shared, lead)

    def _text(self, shared: Moment, shift: timedelta) -> str:
        if not shift:
            return shared.text
        if shared.day_only and not shift % timedelta(days=1):
            return (shared.day + shift).isoformat()
        instant = (shared.utc + shift).replace(tzinfo=UTC).astimezone(self.timezone)
        return instant.isoformat(timespec="minutes")

    def seeds_started(self, spot: Spot) -> int:
        """Seeds to start for one plot."""
        if spot.treatment.casefold() != "presprouted":
            return self.seeds
        return math.ceil(self.seeds / self.sprout_share)

    def records(self) -> tuple[tuple[str, ...], list[list[str]]]:
        """Header and lines of the records file that the trial begins with."""
        rows = []
        for spot in self.spots:
            started, planted = self.dates(spot)
            cells = {
                "plot": spot.plot, "block": spot.block, "variety": spot.variety,
                "seed_lot": self.seed_lot, "treatment": spot.treatment, "started": started,
                "planted": planted, "seeds_started": str(self.seeds_started(spot)),
                "seeds_planted": str(self.seeds), "depth_cm": f"{self.depth_cm:g}",
                "format": FORMAT,
            }  # fmt: skip
            rows.append([cells.get(name, "") for name in _HEADER])
        return _HEADER, rows


@dataclass(frozen=True, kw_only=True)
class Task:
    """One line of the calendar: when, what, and for which plots."""

    when: str
    what: str
    plots: tuple[str, ...]


def calendar(plan: Plan) -> list[Task]:
    """What is to be done when, from the first seed wetted to the last plot planted."""
    plots: dict[tuple[str, str], list[str]] = {}
    for spot in plan.spots:
        started, planted = plan.dates(spot)
        seeds = plan.seeds_started(spot)
        if started != planted:
            plots.setdefault((started, _start_words(plan, spot, seeds)), []).append(spot.plot)
        plots.setdefault((planted, _plant_words(plan, spot)), []).append(spot.plot)
    tasks = [Task(when=w, what=what, plots=tuple(names)) for (w, what), names in plots.items()]
    return sorted(tasks, key=lambda task: (read_moment(task.when, plan.timezone).utc, task.what))


def _start_words(plan: Plan, spot: Spot, seeds: int) -> str:
    hours = plan.lead(spot) / timedelta(hours=1)
    each = f"{spot.variety}, {seeds} seeds a plot" if spot.variety else f"{seeds} seeds a plot"
    if spot.treatment.casefold() == "soaked":
        return f"start soaking for {hours:g} h: {each}"
    if spot.treatment.casefold() == "presprouted":
        return f"wet the seed for sprouting, about {hours:g} h: {each}"
    return f"start {spot.treatment}, {hours:g} h ahead: {each}"


def _plant_words(plan: Plan, spot: Spot) -> str:
    name = f"{spot.variety}, {spot.treatment}" if spot.variety else spot.treatment
    return f"plant {name}: {plan.seeds} seeds in {plan.stations} stations a plot"


def sprout_hours(crop: Crop, room_C: float, radicle_mm: float = 3.0) -> float | None:
    """Hours indoors until the median radicle is fit for planting, in whole days; None if never.

    Parameters
    ----------
    room_C : float
        Temperature of the room. [degC]
    radicle_mm : float
        Length at planting. [mm]
    """
    rate, germination = _rate_and_germination(crop, room_C)
    if rate <= 0:
        return None
    target_Cd = germination + radicle_mm / crop.estimate.centre()["radicle_mm_per_Cd"]
    # To whole days, so that a batch is started at an hour at which people are up.
    return float(24 * max(round(target_Cd / rate), 1))


def _rate_and_germination(crop: Crop, room_C: float) -> tuple[float, float]:
    """Thermal time that a day in a room gives, and that to half germination. [C d]"""
    from thermosprout.trials.analysis.timing import central_response

    centre = crop.estimate.centre()
    rate = float(central_response(crop.estimate, crop.response).at(np.array([room_C]))[0])
    return rate, centre["germination_share"] * centre["thermal_time_50_Cd"]


def sprouting_share(crop: Crop, room_C: float, sprout_h: float) -> float:
    """Share of the seed started that sprouts in its time indoors, for a lot that nobody tested.

    Parameters
    ----------
    room_C : float
        Temperature of the room. [degC]
    sprout_h : float
        Time from wetting to planting. [h]
    """
    from thermosprout.crops.seed_lots import SeedLot, viability_draws

    rate, germination = _rate_and_germination(crop, room_C)
    indoors = max(rate * sprout_h / 24.0, 1e-9)
    untested = SeedLot(id="", crop=crop.name)
    alive = float(np.median(viability_draws(untested, crop, 999, np.random.default_rng(0))))
    sigma = crop.estimate.centre()["sigma"]
    return float(alive * ndtr(np.log(indoors / germination) / sigma))


def in_the_morning(day: Moment, lead_h: Mapping[str, float], tz: tzinfo) -> Moment:
    """A day alone becomes nine in the morning where a soak is not of whole days.

    Nine in the morning is our choice, so that a soak of twelve hours begins in the evening.
    """
    if not day.day_only or all(hours % 24 == 0 for hours in lead_h.values()):
        return day
    morning = datetime.combine(day.day, time(9), tzinfo=tz)
    return read_moment(morning.isoformat(timespec="minutes"), tz)


def lead_hours(treatments: Sequence[str], soak_h: float, sprout_h: float) -> dict[str, float]:
    """Hours of handling of the known treatments among those of a trial."""
    hours_of = {"soaked": soak_h, "presprouted": sprout_h}
    for name, hours in hours_of.items():
        if not 0 <= hours <= 24 * 60:
            raise InputError(f"{hours:g} h of handling for {name}: expected 0 to 1440")
    return {t.casefold(): hours_of[t.casefold()] for t in treatments if t.casefold() in hours_of}
