"""Rows that follow each other evenly, and what fits while a bed is empty."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from enum import StrEnum
from zoneinfo import ZoneInfo

import numpy as np
import xarray as xr

from thermosprout.crops.crop import cautions
from thermosprout.dates import noon, read_days
from thermosprout.errors import InputError
from thermosprout.planning.options import option_named, usual_options
from thermosprout.planning.season_window import EMERGENCE_D, HARVEST_D, WindowBuilder
from thermosprout.quantities import FloatArray
from thermosprout.season.context import Context
from thermosprout.season.schema import Document, day_stamp, hours, instant, utc_stamp
from thermosprout.season.setting import Case, Question


class Aim(StrEnum):
    """What comes at even intervals."""

    EMERGENCE = "emergence"
    HARVEST = "harvest"


@dataclass(frozen=True, kw_only=True)
class SuccessionSowing:
    """One sowing of a succession.

    Attributes
    ----------
    sow : numpy.datetime64
        Planting, UTC.
    target, early, middle, late : numpy.datetime64
        When it should be ready, and the odds of when it will be; NaT past the horizon.
    miss_d : float
        How far the middle of what is expected lies from the target; later is positive. [d]
    """

    sow: np.datetime64
    target: np.datetime64
    middle: np.datetime64
    early: np.datetime64
    late: np.datetime64
    miss_d: float


def plan_succession(
    window: xr.Dataset, *, every_d: float, count: int, aim: Aim
) -> tuple[SuccessionSowing, ...]:
    """Choose sowing days so that rows are ready at even intervals.

    Parameters
    ----------
    window : xarray.Dataset
        One cover and one treatment of a sowing window. Its first day is that of the first sowing;
        what that is ready on sets the first target.
    every_d : float
        Interval between the rows being ready. [d]
    count : int
        Number of sowings.
    aim : Aim
        Half emergence or first harvest.

    Returns
    -------
    tuple of SuccessionSowing
        Fewer than ``count`` where the season is over before; never two on one day.

    Raises
    ------
    InputError
        When the first sowing never gets ready.
    """
    stamps = window["sowing"].values
    days = window["days_to_half" if aim is Aim.EMERGENCE else "days_to_harvest"]
    early, middle, late = (days.sel(probability=p).values for p in (0.1, 0.5, 0.9))
    sowing_d = (stamps - stamps[0]) / np.timedelta64(1, "D")
    ready = sowing_d + middle
    if not np.isfinite(ready[0]):
        raise InputError(
            f"a row sown on {str(stamps[0])[:10]} is not ready before the temperature record ends"
        )
    sowings: list[SuccessionSowing] = []
    previous = -1
    for number in range(count):
        target = ready[0] + number * every_d
        later = np.arange(previous + 1, stamps.size)
        finite = later[np.isfinite(ready[later])]
        if not finite.size or ready[finite].max() < target - 0.5 * every_d:
            break
        choice = int(finite[np.argmin(np.abs(ready[finite] - target))])
        sowings.append(
            SuccessionSowing(
                sow=stamps[choice],
                target=_after(stamps[0], target),
                middle=_after(stamps[choice], middle[choice]),
                early=_after(stamps[choice], early[choice]),
                late=_after(stamps[choice], late[choice]),
                miss_d=float(ready[choice] - target),
            )
        )
        previous = choice
    return tuple(sowings)


def _after(start: np.datetime64, days: float) -> np.datetime64:
    """Instant some days after another, NaT past the horizon."""
    return start + (utc_stamp(24.0 * days) - utc_stamp(0.0))


@dataclass(frozen=True, kw_only=True)
class SuccessionAnswer:
    """Sowings of one crop that come at even intervals, up to ``count`` of them."""

    sowings: tuple[SuccessionSowing, ...]
    zone: ZoneInfo
    crop: str
    called: str
    treatment: str
    aim: Aim
    every_d: float
    count: int
    water: str
    cautions: tuple[str, ...] = ()

    @property
    def notes(self) -> tuple[str, ...]:
        """Plain sentences on what the days stand on."""
        verb = "is" if len(self.sowings) == 1 else "are"
        short = (
            f"Only {len(self.sowings)} of {self.count} sowings {verb} ready before the temperature "
            "record ends."
        )
        return (self.water, short) if len(self.sowings) < self.count else (self.water,)

    def to_dict(self) -> Document:
        """Return the JSON document."""
        zone, sown = self.zone, [one.sow for one in self.sowings]
        apart = [None, *(round(float(gap / np.timedelta64(1, "D")), 1) for gap in np.diff(sown))]
        return {
            "crop": self.crop,
            "called": self.called,
            "treatment": self.treatment,
            "aim": self.aim.value,
            "every_days": self.every_d,
            "sowings_asked": self.count,
            "sowings": [
                {
                    "planted": day_stamp(one.sow, zone),
                    "days_since_last": days,
                    "wanted": day_stamp(one.target, zone),
                    "p10": day_stamp(one.early, zone),
                    "p50": day_stamp(one.middle, zone),
                    "p90": day_stamp(one.late, zone),
                    "off_by_days": round(one.miss_d, 1) + 0.0,
                }
                for one, days in zip(self.sowings, apart, strict=False)
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
        When dressed seed is to be wetted, or the first sowing never gets ready.
    CoverageError
        When the record does not hold the first day.
    """
    option = option_named(case.crop, treatment, dressed=case.dressed)
    # While the season warms, what is sown later catches up, so sowings lie further apart than
    # what they give; twice as far is more than enough.
    last = first + timedelta(days=min(int(np.ceil(2 * every_d * count)) + 14, 365))
    builder = WindowBuilder(context, first=first, last=_last_day(context, case, first, last))
    one = builder.window(case, (option,)).isel(cover=0, treatment=0)
    return SuccessionAnswer(
        sowings=plan_succession(one, every_d=every_d, count=count, aim=aim),
        zone=context.zone,
        crop=case.crop.name,
        called=case.crop.common_name,
        treatment=option.name,
        aim=aim,
        every_d=every_d,
        count=count,
        water=context.water_sentence(dry_bed=case.dry_bed),
        cautions=cautions([case.crop], [treatment], dressed=case.dressed or None),
    )


def _last_day(context: Context, case: Case, first: date, last: date) -> date:
    """Last day of the succession, cut to a record that holds one season only."""
    series = context.series(case)
    begins, ends = (date.fromisoformat(str(series["time"].values[at])[:10]) for at in (0, -1))
    if (ends - begins).days < 365 + HARVEST_D and ends > first:
        return min(last, max(ends - timedelta(days=EMERGENCE_D + 2), first))
    return last


FINE_PROBABILITIES = (0.02, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.98)
"""Points of the days to harvest from which odds of being ready in time are read."""

READY_ODDS = 0.8


@dataclass(frozen=True, kw_only=True)
class Opening:
    """A bed that is empty for a while (UTC)."""

    bed: str
    start: np.datetime64
    end: np.datetime64

    @property
    def days(self) -> float:
        """Length of the opening. [d]"""
        return float((self.end - self.start) / np.timedelta64(1, "D"))


@dataclass(frozen=True, kw_only=True)
class Fit:
    """How one crop and treatment would do in one opening.

    Attributes
    ----------
    ready_odds : float
        Odds that first harvest comes before the bed is needed.
    spare_d : float
        Days left after first harvest, in the middle of what is expected; negative when late.
    stand : float
        Final stand as a share of the seeds planted, in the middle of what is expected.
    """

    opening: Opening
    crop: str
    called: str
    treatment: str
    ready_odds: float
    spare_d: float
    stand: float


def fit_openings(windows: Mapping[str, xr.Dataset], openings: Sequence[Opening]) -> tuple[Fit, ...]:
    """Which crop and treatment fits which gap, best first within each opening.

    Parameters
    ----------
    windows : mapping of str to xarray.Dataset
        Sowing window of each crop under one cover, holding the first day of each opening.
    openings : sequence of Opening
        Gaps.

    Notes
    -----
    A crop that uses more of the opening stands before one that leaves the bed empty, if both are
    ready in time. Ask the windows for :data:`FINE_PROBABILITIES`.
    """
    fits: list[Fit] = []
    for opening in openings:
        here = []
        for crop, window in windows.items():
            day = window.isel(cover=0).sel(sowing=opening.start, method="nearest")
            here += [
                _fit(opening, crop, str(treatment), day.sel(treatment=treatment))
                for treatment in window["treatment"].values
            ]
        fits.extend(sorted(here, key=_rank))
    return tuple(fits)


def _fit(opening: Opening, crop: str, treatment: str, day: xr.Dataset) -> Fit:
    """One crop and treatment in one opening, from the figures of its first day."""
    days, points = day["days_to_harvest"].values, day["probability"].values
    return Fit(
        opening=opening,
        crop=crop,
        called=day.attrs["called"],
        treatment=treatment,
        ready_odds=odds_within(days, points, opening.days),
        spare_d=float(opening.days - days[np.argmin(np.abs(points - 0.5))]),
        stand=float(day["stand"]),
    )


def _rank(fit: Fit) -> tuple[bool, float]:
    late = fit.ready_odds < READY_ODDS
    return late, -fit.ready_odds if late else fit.spare_d


def odds_within(days: FloatArray, probabilities: FloatArray, limit: float) -> float:
    """Odds of no more than ``limit`` days, between the points at which days are known."""
    if limit <= 0:
        return 0.0
    finite = np.isfinite(days)
    if not finite.any():
        return 0.0
    low, high = days[finite], probabilities[finite]
    if limit >= low[-1]:
        return float(high[-1]) if not finite.all() else 1.0
    return float(np.interp(limit, np.concatenate([[0.0], low]), np.concatenate([[0.0], high])))


@dataclass(frozen=True, kw_only=True)
class GapsAnswer:
    """Crops and treatments that fit gaps of beds, best first in each."""

    fits: tuple[Fit, ...]
    zone: ZoneInfo
    water: str
    cautions: tuple[str, ...] = ()

    def to_dict(self) -> Document:
        """Return the JSON document."""
        zone = self.zone
        return {
            "openings": [
                {
                    "bed": fit.opening.bed,
                    "from": day_stamp(fit.opening.start, zone),
                    "until": day_stamp(fit.opening.end, zone),
                    "crop": fit.crop,
                    "called": fit.called,
                    "treatment": fit.treatment,
                    "ready_odds": round(fit.ready_odds, 2),
                    "spare_days": round(fit.spare_d, 1) if np.isfinite(fit.spare_d) else None,
                    "stand": round(fit.stand, 3),
                }
                for fit in self.fits
            ],
            "cautions": list(self.cautions),
            "notes": [self.water],
        }


def read_openings(texts: Sequence[str], zone: ZoneInfo) -> tuple[Opening, ...]:
    """Openings written as ``BED=2026-06-01/2026-08-15``.

    Raises
    ------
    InputError
        When a text is not that.
    """
    openings: list[Opening] = []
    for text in texts:
        bed, _, span = text.rpartition("=")
        if not bed or "/" not in span:
            raise InputError(f"{text!r} is no opening; write it as north=2026-06-01/2026-08-15")
        start, end = (hours(noon(day, zone)) for day in read_days(span))
        openings.append(Opening(bed=bed, start=utc_stamp(start), end=utc_stamp(end)))
    return tuple(dict.fromkeys(openings))


def openings_of_season(context: Context) -> tuple[Opening, ...]:
    """Openings of the season's beds that say from when and until when they are free."""
    if context.season is None:
        return ()
    zone = context.zone
    return tuple(
        Opening(
            bed=bed.id,
            start=utc_stamp(hours(instant(bed.free_from, zone))),
            end=utc_stamp(hours(instant(bed.free_until, zone))),
        )
        for bed in context.season.data.beds
        if bed.free_from is not None and bed.free_until is not None
    )


def plan_openings(
    context: Context, gaps: Sequence[Opening], crops: Sequence[str], question: Question
) -> GapsAnswer:
    """Crops and treatments for each gap, best first; the season's crops when none is named.

    Parameters
    ----------
    question : Question
        What holds for all crops: lot, depth and water.

    Raises
    ------
    InputError
        When no crop is known, or the season has no such bed.
    """
    names = tuple(crops)
    if not names and question.lot:
        names = ("",)  # the lot's own
    elif not names and context.season is not None:
        names = tuple(context.season.crops)
    if not names:
        raise InputError("no crop was named", hint="add --crop lettuce --crop beet")
    starts = [date.fromisoformat(day_stamp(gap.start, context.zone) or "") for gap in gaps]
    builder = WindowBuilder(context, first=min(starts), last=max(starts) + timedelta(days=1))
    fits: list[Fit] = []
    sown: list[Case] = []
    ways: list[str] = []
    for bed, group in _by_bed(context, gaps).items():
        windows = {}
        for name in names:
            case = context.case(replace(question, crop=name, bed=bed))
            options = usual_options(
                case.crop, soaks_h=(case.crop.safe_soak_h,), dressed=case.dressed
            )
            windows[case.crop.name] = builder.window(
                case, options, probabilities=FINE_PROBABILITIES
            )
            sown.append(case)
            ways += (str(option.handling.treatment) for option in options)
        fits.extend(fit_openings(windows, group))
    return GapsAnswer(
        fits=tuple(fits),
        zone=context.zone,
        water=context.water_sentence(dry_bed=question.dry_bed),
        cautions=cautions(
            (case.crop for case in sown), ways, dressed=any(case.dressed for case in sown) or None
        ),
    )


def _by_bed(context: Context, gaps: Sequence[Opening]) -> dict[str, list[Opening]]:
    """Gaps by a bed that stands for them: beds of one cover and one watering are alike."""
    named = context.season is not None and context.season.data.beds
    watered = {entry.bed for entry in context.supply.watering}
    alike: dict[tuple[str | None, str | None], str] = {}
    groups: dict[str, list[Opening]] = {}
    for gap in gaps:
        bed = context.bed(gap.bed) if named else None
        name = bed.id if bed is not None else ""
        key = (bed.cover if bed is not None else None, name if name in watered else None)
        groups.setdefault(alike.setdefault(key, name), []).append(gap)
    return groups
