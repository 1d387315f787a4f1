"""Past days from a service: asked in spans that can be kept for good, and joined."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime, timedelta

import numpy as np
import xarray as xr

from thermosprout.errors import CoverageError, InputError
from thermosprout.weather.session import FORECAST_EXPIRES_S, HISTORY_SETTLED_DAYS, NEVER


def past_days(
    start: date,
    end: date,
    ask: Callable[[date, date, int], xr.Dataset],
    *,
    today: date | None = None,
) -> xr.Dataset:
    """Ask for the days from ``start`` to ``end``, both included, span by span.

    Parameters
    ----------
    start, end : date
        First and last day, UTC.
    ask : callable
        Called with the first and last day of a span and the seconds that its answer may be kept.
    today : date, optional
        For tests.

    Returns
    -------
    xarray.Dataset, dims ([soil_level,] time)

    Raises
    ------
    CoverageError
        When the service does not hold the days; the newest may be missing.
    """
    parts = []
    for first, last, settled in spans(start, end, today or datetime.now(UTC).date()):
        try:
            parts.append(ask(first, last, NEVER if settled else 6 * FORECAST_EXPIRES_S))
        except CoverageError:
            # The newest days may not be there yet; a hole further back is an error.
            if settled or not parts:
                raise
    after = np.datetime64(end) + np.timedelta64(23, "h")
    return joined(parts).sel(time=slice(np.datetime64(start), after))


def require_order(start: date, end: date) -> None:
    """Refuse days of which the last comes first."""
    if end < start:
        raise InputError(f"the last day {end} is before the first day {start}")


def spans(start: date, end: date, today: date) -> list[tuple[date, date, bool]]:
    """Cut a span into years, months of the current year and the rest; True = will not change."""
    settled_to = today - timedelta(days=HISTORY_SETTLED_DAYS + 1)
    out: list[tuple[date, date, bool]] = []
    for year in range(start.year, end.year + 1):
        if date(year, 12, 31) <= settled_to:
            out.append((date(year, 1, 1), date(year, 12, 31), True))
            continue
        for month in range(1, 13):
            first = date(year, month, 1)
            last = (first + timedelta(days=32)).replace(day=1) - timedelta(days=1)
            if last < start or first > end:
                continue
            if last <= settled_to:
                out.append((first, last, True))
            else:
                rest = out[-1][1] + timedelta(days=1) if out and not out[-1][2] else first
                out.append((rest if rest <= end else first, min(last, end), False))
    return out


def joined(parts: Sequence[xr.Dataset]) -> xr.Dataset:
    """Put Datasets one after the other; notes of all are kept."""
    if len(parts) == 1:
        return parts[0]
    shared = set.intersection(*(set(part.data_vars) for part in parts))
    whole = xr.concat(
        [part[sorted(map(str, shared))] for part in parts], dim="time", join="outer",
        coords="minimal", compat="override", combine_attrs="override",
    )  # fmt: skip
    whole = whole.sortby("time")
    _, first = np.unique(whole["time"].values, return_index=True)
    whole = whole.isel(time=first)
    first, last, hour = *whole["time"].values[[0, -1]], np.timedelta64(1, "h")
    full = np.arange(first, last + hour, hour)
    if full.size != whole.sizes["time"]:
        # Between two answers one hour of rain and radiation is missing at most.
        missing = np.flatnonzero(~np.isin(full, whole["time"].values))
        whole = whole.reindex(time=full)
        alone = missing[~np.isin(missing - 1, missing) & ~np.isin(missing + 1, missing)]
        for name in whole.data_vars:
            values = whole[name].values
            values[..., alone] = 0.5 * (values[..., alone - 1] + values[..., alone + 1])
    whole.attrs = dict(parts[-1].attrs)
    notes = dict.fromkeys(note for part in parts for note in part.attrs.get("notes", ()))
    whole.attrs["notes"] = tuple(notes)
    return whole
