"""Numbers, hours and days as they stand in a JSON document."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from thermosprout.season.schema import local

Document = dict[str, Any]
Odds = dict[str, float | None]

_NO_DATE_H = 2e6
"""Hours since 1970 past which nothing is a date any more (the year 2198)."""


def rounded(values: Mapping[str, float], places: int = 2) -> Odds:
    """Odds as they are printed; what is not finite is None."""
    return {
        name: round(float(value), places) if np.isfinite(value) else None
        for name, value in values.items()
    }


def stamp(hour: float, zone: ZoneInfo | None) -> str | None:
    """Hour as a local instant; None where there is no calendar or no date."""
    if zone is None or not abs(hour) < _NO_DATE_H:
        return None
    return local(hour, zone).isoformat()


def stamps(values: Mapping[str, float], zone: ZoneInfo | None) -> dict[str, str | None] | None:
    """Hours as local instants; None where there is no calendar."""
    if zone is None:
        return None
    return {name: stamp(value, zone) for name, value in values.items()}


def local_day(instant: np.datetime64 | None, zone: ZoneInfo) -> str | None:
    """Local date of a UTC instant; None stays None."""
    if instant is None or np.isnat(instant):
        return None
    return pd.Timestamp(instant).tz_localize(UTC).tz_convert(zone).date().isoformat()
