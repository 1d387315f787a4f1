"""Openings of beds, as typed or from the season file, and what fits them."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta

import numpy as np

from thermosprout.errors import InputError
from thermosprout.planning.options import usual_options
from thermosprout.planning.season_documents import local_day
from thermosprout.planning.season_window import WindowBuilder
from thermosprout.planning.sources import Sources, days_between
from thermosprout.planning.succession import FINE_PROBABILITIES, Fit, Opening, fit_openings
from thermosprout.season.schema import hours, instant


def _stamp(hour: float) -> np.datetime64:
    stamp: np.datetime64 = np.datetime64(round(hour * 60), "m").astype("datetime64[ns]")
    return stamp


def openings_of(texts: Sequence[str], zone: object) -> tuple[Opening, ...]:
    """Openings written as ``BED=2026-06-01/2026-08-15``.

    Raises
    ------
    InputError
        When a text is not that.
    """
    found: list[Opening] = []
    for text in texts:
        bed, equals, span = text.rpartition("=")
        if not equals or "/" not in span:
            raise InputError(f"{text!r} is no opening; write it as north=2026-06-01/2026-08-15")
        start, end = days_between(span, zone)  # type: ignore[arg-type]
        found.append(Opening(bed=bed or "bed", start=_stamp(start), end=_stamp(end)))
    return tuple(found)


def beds_of(sources: Sources) -> tuple[Opening, ...]:
    """Openings of the season's beds that say from when and until when they are free."""
    if sources.season is None:
        return ()
    zone = sources.zone
    return tuple(
        Opening(
            bed=bed.id,
            start=_stamp(hours(instant(bed.free_from, zone))),
            end=_stamp(hours(instant(bed.free_until, zone))),
        )
        for bed in sources.season.data.beds
        if bed.free_from is not None and bed.free_until is not None
    )


def plan_openings(
    sources: Sources, gaps: Sequence[Opening], crops: Sequence[str]
) -> tuple[Fit, ...]:
    """Crops and treatments for each gap, best first; the season's crops when none is named.

    Raises
    ------
    InputError
        When no crop is known.
    """
    names = tuple(crops)
    if not names and sources.season is not None:
        names = tuple(sources.season.crops)
    if not names:
        raise InputError("no crop was named", hint="add --crop lettuce --crop beet")
    zone = sources.zone
    first = min(gap.start for gap in gaps)
    last = max(gap.start for gap in gaps)
    start = date.fromisoformat(local_day(first, zone) or "")
    end = date.fromisoformat(local_day(last, zone) or "")
    builder = WindowBuilder(sources, first=start, last=end + timedelta(days=1))
    windows = {}
    for name in names:
        crop = sources.crop(name)
        windows[crop.name] = builder.window(
            crop,
            usual_options(crop, soaks_h=(crop.safe_soak_h,)),
            probabilities=FINE_PROBABILITIES,
        )
    return fit_openings(windows, gaps)
