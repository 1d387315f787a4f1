"""Whatever is in a file, a reader gives a series or one sentence, never a traceback."""

from __future__ import annotations

import contextlib
import random
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.soil.readers.exports import EXPORTS
from thermosprout.errors import ThermosproutError
from thermosprout.soil.readers.logger import read_soil_csv
from thermosprout.soil.readers.netcdf import read_soil_netcdf
from thermosprout.soil.readers.weather_table import read_weather_csv
from thermosprout.soil.series import check_soil_series

QUIET = settings(
    max_examples=150,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)


def try_all(path: Path) -> None:
    for options in ({}, {"timezone": "Europe/Berlin", "day_first": True, "unit": "C"}):
        try:
            series, reading = read_soil_csv(path, **options)  # type: ignore[arg-type]
        except ThermosproutError:
            continue
        check_soil_series(series)
        assert reading.sentences()


@QUIET
@given(data=st.binary(max_size=400))
def test_any_bytes(data: bytes, tmp_path: Path) -> None:
    path = tmp_path / "logger.csv"
    path.write_bytes(data)
    try_all(path)
    with pytest.raises(ThermosproutError):
        read_soil_netcdf(path)


@QUIET
@given(
    cells=st.lists(
        st.tuples(
            st.sampled_from(
                ["2026-04-01 00:00", "01/04/26", "1e9", "1700000000", "24:00", "", "x"]
            ),
            st.sampled_from(["12.5", "12,5", "nan", "1e400", "-9999", "°C", "12 F", "−3", "١٢"]),
        ),
        min_size=1,
        max_size=8,
    ),
    mark=st.sampled_from([",", ";", "\t"]),
    heading=st.sampled_from(["time_utc{0}soil_temp_C", "{0}", "Time{0}Temp (°C)", ""]),
)
def test_any_cells(cells: list[tuple[str, str]], mark: str, heading: str, tmp_path: Path) -> None:
    path = tmp_path / "logger.csv"
    path.write_text("\n".join([heading.format(mark), *(mark.join(c) for c in cells)]))
    try_all(path)


@pytest.mark.parametrize("name", EXPORTS)
def test_mutilated_exports(name: str, tmp_path: Path) -> None:
    rng = random.Random(name)
    path = tmp_path / "logger.csv"
    for _ in range(6):
        raw = bytearray(EXPORTS[name].raw)
        if not raw:
            continue
        for _ in range(rng.randint(1, 6)):
            at = rng.randrange(len(raw))
            kind = rng.random()
            if kind < 0.5:
                raw[at] = rng.randrange(256)
            elif kind < 0.8:
                del raw[at : at + rng.randint(1, 40)]
            else:
                raw[at:at] = rng.choice([b"\n", b",", b";", b'"', b"\x00", b"--", b"NaN"])
            if not raw:
                break
        path.write_bytes(bytes(raw))
        try_all(path)
        with contextlib.suppress(ThermosproutError):
            read_weather_csv(path, latitude=50, longitude=10, timezone="UTC")
