"""What fits while a bed is empty: crops and treatments for gaps, best first."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import xarray as xr

from thermosprout.crops.crop import cautions
from thermosprout.dates import noon, read_days
from thermosprout.errors import InputError
from thermosprout.planning.options import usual_options
from thermosprout.planning.season_window import WindowBuilder
from thermosprout.quantities import FloatArray
from thermosprout.season.context import Context
from thermosprout.season.schema import Document, day_stamp, hours, instant, utc_stamp
from thermosprout.season.setting import Case, Question

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
        Odds that first harvest comes before the bed is wanted.
    spare_d : float
        Days left after first harvest, in the middle of what is expected; negative when late.
    stand : float
        Final stand as a share of the seeds planted, in the middle of what is expected.
    """

    opening: Opening
    crop: str
    treatment: str
    ready_odds: float
    spare_d: float
    stand: float


def fit_openings(
    windows: Mapping[str, xr.Dataset], openings: Sequence[Opening], *, cover: str | None = None
) -> tuple[Fit, ...]:
    """Which crop and treatment fits which gap, best first within each opening.

    Parameters
    ----------
    windows : mapping of str to xarray.Dataset
        Sowing window of each crop, holding the first day of each opening.
    openings : sequence of Opening
        Gaps.
    cover : str, optional
        Cover of the windows to use; the first when absent.

    Raises
    ------
    InputError
        When an opening begins outside the windows.

    Notes
    -----
    A crop that uses more of the opening stands before one that leaves the bed empty, if both are
    ready in time. Ask the windows for :data:`FINE_PROBABILITIES`.
    """
    fits: list[Fit] = []
    for opening in openings:
        here = []
        for crop, window in windows.items():
            one = window.isel(cover=0) if cover is None else window.sel(cover=cover)
            gap = np.abs((one["sowing"].values - opening.start) / np.timedelta64(1, "D"))
            if gap.min() > 1.0:
                raise InputError(
                    f"bed {opening.bed} opens on {str(opening.start)[:10]}, outside the season "
                    "asked for"
                )
            day = one.isel(sowing=int(np.argmin(gap)))
            here += [
                _fit(opening, crop, str(treatment), day.sel(treatment=treatment))
                for treatment in one["treatment"].values
            ]
        fits.extend(sorted(here, key=_rank))
    return tuple(fits)


def _fit(opening: Opening, crop: str, treatment: str, day: xr.Dataset) -> Fit:
    """One crop and treatment in one opening, from the figures of its first day."""
    days, points = day["days_to_harvest"].values, day["probability"].values
    return Fit(
        opening=opening,
        crop=crop,
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


def openings_of(texts: Sequence[str], zone: ZoneInfo) -> tuple[Opening, ...]:
    """Openings written as ``BED=2026-06-01/2026-08-15``.

    Raises
    ------
    InputError
        When a text is not that.
    """
    openings: list[Opening] = []
    for text in texts:
        bed, equals, span = text.rpartition("=")
        if not equals or "/" not in span:
            raise InputError(f"{text!r} is no opening; write it as north=2026-06-01/2026-08-15")
        start, end = (hours(noon(day, zone)) for day in read_days(span))
        openings.append(Opening(bed=bed or "bed", start=utc_stamp(start), end=utc_stamp(end)))
    return tuple(openings)


def beds_of(context: Context) -> tuple[Opening, ...]:
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
        What holds for all crops: depth and cover.

    Raises
    ------
    InputError
        When no crop is known.
    """
    names = tuple(crops)
    if not names and context.season is not None:
        names = tuple(context.season.crops)
    if not names:
        raise InputError("no crop was named", hint="add --crop lettuce --crop beet")
    zone = context.zone
    starts = [date.fromisoformat(day_stamp(gap.start, zone) or "") for gap in gaps]
    builder = WindowBuilder(context, first=min(starts), last=max(starts) + timedelta(days=1))
    fits: list[Fit] = []
    cases: list[Case] = []
    for bed, group in _by_bed(context, gaps).items():
        here = [context.case(replace(question, crop=name, bed=bed)) for name in names]
        windows = {
            case.crop.name: builder.window(
                case,
                usual_options(case.crop, soaks_h=(case.crop.safe_soak_h,), dressed=case.dressed),
                probabilities=FINE_PROBABILITIES,
            )
            for case in here
        }
        cases += here
        fits.extend(fit_openings(windows, group))
    ways = {fit.treatment.partition(" ")[0].replace("-", "") for fit in fits}
    dressed = any(case.dressed for case in cases) or None
    return GapsAnswer(
        fits=tuple(fits),
        zone=zone,
        water=context.water_sentence(),
        cautions=cautions((case.crop for case in cases), ways, dressed=dressed),
    )


def _by_bed(context: Context, gaps: Sequence[Opening]) -> dict[str, list[Opening]]:
    """Gaps by a bed that stands for them: beds of one cover and one watering are alike."""
    beds = {bed.id: bed for bed in context.season.data.beds} if context.season is not None else {}
    watered = {entry.bed for entry in context.supply.watering}
    alike: dict[tuple[str | None, str | None], str] = {}
    groups: dict[str, list[Opening]] = {}
    for gap in gaps:
        bed = beds.get(gap.bed)
        name = bed.id if bed is not None else ""
        key = (bed.cover if bed is not None else None, name if name in watered else None)
        groups.setdefault(alike.setdefault(key, name), []).append(gap)
    return groups
