"""NASA POWER answers become the weather Dataset."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from tests.weather.playing import Playing, power
from thermosprout.errors import InputError
from thermosprout.weather.nasa_power import get_power, parse
from thermosprout.weather.session import WeatherSession

QUERY = {"latitude": "45.0", "longitude": "8.0", "start": "20210401", "end": "20210403"}


def test_means_of_the_hour_become_values_at_the_instant() -> None:
    document = power(QUERY)
    data = parse(document)
    air = list(document["properties"]["parameter"]["T2M"].values())
    noon = np.datetime64("2021-04-01T12:00")
    assert float(data["air_temperature"].sel(time=noon)) == pytest.approx((air[11] + air[12]) / 2)
    sun = document["properties"]["parameter"]["ALLSKY_SFC_SW_DWN"]
    assert float(data["ghi"].sel(time=noon)) == sun["2021040112"]
    assert data.attrs["latitude"] == 45.0
    assert data.attrs["elevation_m"] == 41.0


def test_newest_days_of_missing_codes_are_cut() -> None:
    document = power(QUERY)
    series = document["properties"]["parameter"]["T2M"]
    for stamp in list(series)[-24:]:
        series[stamp] = -999.0
    data = parse(document)
    assert data.attrs["cut_hours"] == 24
    assert data.sizes["time"] == 48


def test_service_is_asked_in_utc_and_credited(service: Playing, session: WeatherSession) -> None:
    data = get_power(
        45.0, 8.0, date(2021, 4, 2), date(2021, 4, 3), session=session, base_url=service.url,
        today=date(2021, 4, 20),
    )  # fmt: skip
    assert service.requests[0][1]["time-standard"] == "UTC"
    assert data["time"].values[0] == np.datetime64("2021-04-02T00:00")
    assert "NASA Langley" in data.attrs["attribution"]


def test_years_before_the_first_are_refused(session: WeatherSession) -> None:
    with pytest.raises(InputError, match="from 2001 on"):
        get_power(45.0, 8.0, date(1999, 1, 1), date(1999, 2, 1), session=session)
