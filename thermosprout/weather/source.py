"""Where a season's soil temperature comes from: the settings that the supply needs."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Literal

import numpy as np

Service = Literal["open-meteo", "nasa-power"]

WARM_UP_DAYS = 45
"""Weather before the first day wanted, in which the soil model forgets its start. [d]"""
LOOK_BACK_DAYS = 150
HORIZON_DAYS = 150
ARCHIVE_LAG_DAYS = 6
MARGIN_DAYS = 12
"""Past seasons are fetched this much longer, so that they can be moved by some days. [d]"""


@dataclass(frozen=True, kw_only=True)
class SoilSource:
    """Where a season's soil temperature comes from.

    Attributes
    ----------
    kind : {"csv", "service"}
        A logger's file, or weather of a service put through the soil model.
    path : Path, optional
        The logger's file.
    column, file_timezone : str, optional
        Which column, and the zone of stamps without one.
    service : {"open-meteo", "nasa-power"}, optional
        For ``kind="csv"`` too: then the service's forecast goes on where the logger ends.
    base_url : str, optional
        Self-hosted instance, for all interfaces of the service.
    depth_cm, surface
        Depth [cm] and ground; for a service the ground that is modelled, bare where unknown.
    past_years_file : Path, optional
        Soil temperature of past years, instead of the service's archive.
    latitude, longitude, elevation_m, timezone
        Of the site; the zone is that of a file whose stamps carry none.
    offline : bool
        Ask no service, use what is cached.
    as_of : datetime
        Aware instant taken as now.
    start, horizon_end : date, optional
        First and last day wanted; 150 days back and ahead by default.
    """

    kind: Literal["csv", "service"]
    as_of: datetime
    latitude: float
    longitude: float
    path: Path | None = None
    column: str | None = None
    file_timezone: str | None = None
    service: Service | None = None
    base_url: str | None = None
    depth_cm: float | None = 5.0
    surface: str = "unknown"
    past_years_file: Path | None = None
    elevation_m: float | None = None
    timezone: str | None = None
    offline: bool = False
    start: date | None = None
    horizon_end: date | None = None

    @property
    def now(self) -> np.datetime64:
        """UTC hour of ``as_of``."""
        moment = self.as_of.astimezone(UTC).replace(tzinfo=None, minute=0, second=0, microsecond=0)
        return np.datetime64(moment, "ns")

    @property
    def first(self) -> date:
        """First day wanted."""
        return self.start or (self.as_of - timedelta(days=LOOK_BACK_DAYS)).date()

    @property
    def last(self) -> date:
        """Last day wanted."""
        return self.horizon_end or (self.as_of + timedelta(days=HORIZON_DAYS)).date()
