"""Where each service is, under what terms, and which address a user set instead."""

from __future__ import annotations

import os
from dataclasses import dataclass

from thermosprout.errors import InputError

KEY_VARIABLE = "THERMOSPROUT_APIKEY"
"""Key of paying users of Open-Meteo; never stored in the cache."""


@dataclass(frozen=True, kw_only=True)
class Endpoint:
    """One interface of a service."""

    service: str
    base_url: str
    path: str
    variable: str
    attribution: str

    def url(self, base_url: str | None = None) -> str:
        """Whole address: given, else from the environment, else the public one.

        Raises
        ------
        InputError
            When the address is not http or https.
        """
        base = (base_url or os.environ.get(self.variable) or self.base_url).rstrip("/")
        if not base.startswith(("https://", "http://")):
            raise InputError(
                f"{base!r} is no web address",
                hint=f"write https://HOST in base_url or {self.variable}",
            )
        return base if base.endswith(self.path) else base + self.path


_OPEN_METEO = "Weather data by Open-Meteo.com (CC BY 4.0)"
FORECAST = Endpoint(
    service="Open-Meteo",
    base_url="https://api.open-meteo.com",
    path="/v1/forecast",
    variable="THERMOSPROUT_FORECAST_URL",
    attribution=_OPEN_METEO,
)
ARCHIVE = Endpoint(
    service="Open-Meteo",
    base_url="https://archive-api.open-meteo.com",
    path="/v1/archive",
    variable="THERMOSPROUT_ARCHIVE_URL",
    attribution=_OPEN_METEO
    + "; contains modified Copernicus Climate Change Service information (ERA5, ERA5-Land)",
)
ENSEMBLE = Endpoint(
    service="Open-Meteo",
    base_url="https://ensemble-api.open-meteo.com",
    path="/v1/ensemble",
    variable="THERMOSPROUT_ENSEMBLE_URL",
    attribution=_OPEN_METEO,
)
POWER_HOURLY = Endpoint(
    service="NASA POWER",
    base_url="https://power.larc.nasa.gov",
    path="/api/temporal/hourly/point",
    variable="THERMOSPROUT_POWER_URL",
    attribution="Data from the NASA Langley Research Center POWER Project",
)


def key_parameters() -> dict[str, str]:
    """Key of a paying user, where one is set."""
    key = os.environ.get(KEY_VARIABLE, "")
    return {"apikey": key} if key else {}
