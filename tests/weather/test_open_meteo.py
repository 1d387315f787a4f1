"""Units, stamps, depths and missing numbers of Open-Meteo answers become those of the program."""

from __future__ import annotations

import json
from datetime import date
from typing import Any

import numpy as np
import pytest

from tests.weather import playing
from tests.weather.playing import Playing, good, open_meteo, play
from thermosprout.weather import nasa_power
from thermosprout.weather import open_meteo as open_meteo_answer
from thermosprout.weather.open_meteo import get_archive, get_ensemble, get_forecast, parse
from thermosprout.weather.service import answer_values, spans
from thermosprout.weather.session import WeatherSession
from thermosprout.weather.transport import BadAnswerError

PLACE = (52.2, 0.12)


def answer(path: str = "/v1/forecast", **query: str) -> dict[str, Any]:
    parameters = {
        "latitude": "52.2", "longitude": "0.12",
        "hourly": "temperature_2m,shortwave_radiation,precipitation",
        "past_days": "1", "forecast_days": "2",
    } | query  # fmt: skip
    return open_meteo(path, parameters, date(2026, 4, 10))


def test_sums_of_the_hour_before_move_to_its_start() -> None:
    document = answer()
    data = parse(document)
    hourly = document["hourly"]
    stamps = np.array(hourly["time"], dtype="datetime64[s]")
    noon = np.datetime64("2026-04-10T12:00")
    row = int(np.flatnonzero(stamps == noon)[0])
    assert float(data["air_temperature"].sel(time=noon)) == hourly["temperature_2m"][row]
    assert float(data["ghi"].sel(time=noon)) == hourly["shortwave_radiation"][row + 1]
    assert float(data["precipitation"].sel(time=noon)) == hourly["precipitation"][row + 1]
    assert data["time"].values[-1] == stamps[-2]


@pytest.mark.parametrize(("name", "unit"), [("temperature_2m", "°F"), ("precipitation", "furlong")])
def test_other_units_than_those_asked_for_are_refused(name: str, unit: str) -> None:
    document = answer()
    document["hourly_units"][name] = unit
    with pytest.raises(BadAnswerError, match=f"came in '{unit}', expected .*the service changed"):
        parse(document)


def test_iso_stamps_are_moved_by_the_offset_of_the_answer() -> None:
    document = answer()
    utc = parse(document)["time"].values
    local = [str(np.datetime64(s + 39600, "s"))[:16] for s in document["hourly"]["time"]]
    document["hourly"]["time"] = local
    document["hourly_units"]["time"] = "iso8601"
    document["utc_offset_seconds"] = 39600
    assert (parse(document)["time"].values == utc).all()


def test_nulls_at_the_end_are_cut_and_counted() -> None:
    document = answer()
    for name in ("temperature_2m", "shortwave_radiation", "precipitation"):
        document["hourly"][name][-10:] = [None] * 10
    data = parse(document)
    assert data.attrs["cut_hours"] == 9
    assert np.isfinite(data["air_temperature"]).all()


def test_members_keep_order_and_end_together() -> None:
    document = answer("/v1/ensemble", hourly="temperature_2m,precipitation")
    names = [n for n in document["hourly"] if n.startswith("temperature_2m")]
    assert names[0] == "temperature_2m"
    assert names[-1] == "temperature_2m_member07"
    document["hourly"]["temperature_2m_member03"][-5:] = [None] * 5
    data = parse(document)
    assert data["air_temperature"].dims == ("member", "time")
    assert data.sizes["member"] == 8
    shuffled = dict(reversed(list(document["hourly"].items())))
    assert parse(document | {"hourly": shuffled}).equals(data)
    assert data["time"].values[-1] == np.datetime64(document["hourly"]["time"][-6], "s")


def test_member_without_any_value_is_left_out() -> None:
    document = answer("/v1/ensemble", hourly="temperature_2m,precipitation")
    document["hourly"]["temperature_2m_member03"] = [None] * len(document["hourly"]["time"])
    assert parse(document).sizes["member"] == 7


def test_settled_years_and_months_are_asked_for_whole() -> None:
    cut = spans(date(2024, 11, 20), date(2026, 5, 18), date(2026, 5, 20))
    assert cut[0] == (date(2024, 1, 1), date(2024, 12, 31), True)
    assert cut[1] == (date(2025, 1, 1), date(2025, 12, 31), True)
    assert cut[2] == (date(2026, 1, 1), date(2026, 1, 31), True)
    assert cut[-1] == (date(2026, 5, 1), date(2026, 5, 18), False)
    january = spans(date(2025, 12, 20), date(2026, 1, 4), date(2026, 1, 5))
    assert january == [
        (date(2025, 12, 1), date(2025, 12, 31), False),
        (date(2026, 1, 1), date(2026, 1, 4), False),
    ]


def test_archive_of_two_years_is_one_series_asked_for_once(
    service: Playing, session: WeatherSession
) -> None:
    start, end, today = date(2024, 12, 1), date(2025, 2, 10), date(2025, 6, 1)
    service.answer = lambda path, query: good(path, query, today)
    first = get_archive(*PLACE, start, end, session=session, base_url=service.url, today=today)
    count = len(service.requests)
    assert (np.diff(first["time"].values) == np.timedelta64(1, "h")).all()
    assert first["time"].values[0] == np.datetime64("2024-12-01T00:00")
    assert int(first["ghi"].isnull().sum()) <= 1
    again = get_archive(*PLACE, start, end, session=session, base_url=service.url, today=today)
    assert again.equals(first)
    assert len(service.requests) == count
    assert all(row.expires is None for row in session.cached()[0])
    assert "Copernicus" in first.attrs["attribution"]


def test_newest_days_not_there_yet_are_cut(service: Playing, session: WeatherSession) -> None:
    today = date(2025, 4, 20)
    service.answer = lambda path, query: good(path, query, today)
    data = get_archive(
        *PLACE, date(2025, 4, 1), date(2025, 4, 19), session=session, base_url=service.url,
        today=today,
    )  # fmt: skip
    assert data["time"].values[-1] == np.datetime64("2025-04-15T00:00")
    assert session.cached() == ([], 0)


def test_forecast_expires_within_the_hour(service: Playing, session: WeatherSession) -> None:
    data = get_forecast(*PLACE, session=session, base_url=service.url)
    row = session.cached()[0][0]
    assert row.expires is not None
    assert 3500 < (row.expires - row.retrieved).total_seconds() <= 3600
    assert "Open-Meteo.com" in data.attrs["attribution"]
    assert not data.attrs["stale"]


def test_address_from_the_environment(
    service: Playing, session: WeatherSession, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("THERMOSPROUT_ENSEMBLE_URL", service.url + "/own/")
    get_ensemble(*PLACE, session=session)
    assert service.requests[-1][0] == "/own/v1/ensemble"


def test_one_element_list_is_an_answer_too(session: WeatherSession) -> None:
    def listed(path: str, query: dict[str, str]) -> Any:
        reply = good(path, query)
        reply.body = json.dumps([json.loads(reply.body)]).encode()
        return reply

    with play(listed) as playing:
        assert get_forecast(*PLACE, session=session, base_url=playing.url).sizes["time"] > 24


def test_null_is_missing_and_numbers_are_themselves() -> None:
    numbers = answer_values([1, 2.5, None, -999], "x")
    np.testing.assert_array_equal(numbers, [1.0, 2.5, np.nan, -999.0])


@pytest.mark.parametrize("text", ["1e999", "NaN", "-Infinity", "9" * 400, '"warm"', "[1]", "{}"])
def test_what_is_no_finite_number_is_refused_by_both_services(text: str) -> None:
    value = json.loads(text)
    for values in ([1.0, value, 2.0], [value]):
        with pytest.raises(BadAnswerError, match="x holds something that is not a number"):
            answer_values(values, "x")
    query = {"latitude": "52.5", "longitude": "13.4", "start": "20260401", "end": "20260401"}
    power = playing.power(query)
    power["properties"]["parameter"]["T2M"]["2026040105"] = value
    with pytest.raises(BadAnswerError, match="T2M holds something that is not a number"):
        nasa_power.parse(power)
    parameters = {**query, "forecast_days": "1", "past_days": "0", "hourly": "temperature_2m"}
    answer = playing.open_meteo("/v1/forecast", parameters, date(2026, 4, 1))
    answer["hourly"]["temperature_2m"][3] = value
    with pytest.raises(BadAnswerError, match="temperature_2m holds something that is not a number"):
        open_meteo_answer.parse(answer)


def test_a_place_too_large_to_be_a_number_is_refused() -> None:
    parameters = {"latitude": "52.5", "longitude": "13.4", "forecast_days": "1", "past_days": "0",
             "hourly": "temperature_2m"}  # fmt: skip
    answer = playing.open_meteo("/v1/forecast", parameters, date(2026, 4, 1))
    answer["latitude"] = int("9" * 400)
    with pytest.raises(BadAnswerError, match="latitude holds something that is not a number"):
        open_meteo_answer.parse(answer)
