"""Numbers of an answer: null is missing, everything else is a finite number or refused."""

from __future__ import annotations

import json
from datetime import date

import numpy as np
import pytest

from tests.weather import playing
from thermosprout.weather import nasa_power
from thermosprout.weather import open_meteo as open_meteo_answer
from thermosprout.weather.service import answer_values
from thermosprout.weather.transport import BadAnswerError


def test_null_is_missing_and_numbers_are_themselves() -> None:
    found = answer_values([1, 2.5, None, -999], "x")
    np.testing.assert_array_equal(found, [1.0, 2.5, np.nan, -999.0])


@pytest.mark.parametrize("text", ["1e999", "NaN", "-Infinity", "9" * 400, '"warm"', "[1]", "{}"])
def test_what_is_no_finite_number_is_refused_by_both_services(text: str) -> None:
    value = json.loads(text)
    for given in ([1.0, value, 2.0], [value]):
        with pytest.raises(BadAnswerError, match="x holds something that is no number"):
            answer_values(given, "x")
    query = {"latitude": "52.5", "longitude": "13.4", "start": "20260401", "end": "20260401"}
    power = playing.power(query)
    power["properties"]["parameter"]["T2M"]["2026040105"] = value
    with pytest.raises(BadAnswerError, match="T2M holds something that is no number"):
        nasa_power.parse(power)
    asked = {**query, "forecast_days": "1", "past_days": "0", "hourly": "temperature_2m"}
    answer = playing.open_meteo("/v1/forecast", asked, date(2026, 4, 1))
    answer["hourly"]["temperature_2m"][3] = value
    with pytest.raises(BadAnswerError, match="temperature_2m holds something that is no number"):
        open_meteo_answer.parse(answer)


def test_a_place_too_large_to_be_a_number_is_refused() -> None:
    asked = {"latitude": "52.5", "longitude": "13.4", "forecast_days": "1", "past_days": "0",
             "hourly": "temperature_2m"}  # fmt: skip
    answer = playing.open_meteo("/v1/forecast", asked, date(2026, 4, 1))
    answer["latitude"] = int("9" * 400)
    with pytest.raises(BadAnswerError, match="latitude holds something that is no number"):
        open_meteo_answer.parse(answer)
