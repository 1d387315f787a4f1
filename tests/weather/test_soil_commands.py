"""``soil read``, ``soil download`` and ``soil cache`` from the command line."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from tests.soil.readers.exports import EXPORTS
from tests.weather.playing import Playing, Reply
from thermosprout.cli.app import app
from thermosprout.errors import InputError, ServiceError

RUN = CliRunner()


@pytest.fixture
def logger(tmp_path: Path) -> Path:
    path = tmp_path / "logger.csv"
    path.write_bytes(EXPORTS["semicolons and decimal commas"].raw)
    return path


@pytest.fixture(autouse=True)
def _own_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("THERMOSPROUT_CACHE", str(tmp_path / "cache"))


def run(*words: str) -> str:
    result = RUN.invoke(app, list(words), catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return str(result.stdout)


def test_read_says_how_and_writes(logger: Path, tmp_path: Path) -> None:
    out = tmp_path / "soil.csv"
    output = run("soil", "read", str(logger), "--timezone", "UTC+1", "--out", str(out))
    assert "Columns separated by semicolons, decimal comma." in output
    assert "time zone UTC+1, dates written day first" in output
    assert "Nothing looks wrong." in output
    assert out.read_text().splitlines()[1] == "2026-04-13T23:00Z,10.5"


def test_read_json_is_one_document(logger: Path) -> None:
    document = json.loads(run("soil", "read", str(logger), "--timezone", "UTC", "--json"))
    assert document["reading"]["separator"] == "semicolons"
    assert document["reading"]["step"] == "hour"
    assert document["hours"] == 60


def test_read_masks_only_when_asked(tmp_path: Path) -> None:
    lines = EXPORTS["own columns"].raw.decode().splitlines()
    lines[20] = lines[20].split(",")[0] + ",25.0"
    path = tmp_path / "logger.csv"
    path.write_text("\n".join(lines) + "\n")
    out = tmp_path / "soil.csv"
    output = run("soil", "read", str(path), "--out", str(out))
    assert "spikes" in output
    assert ",25" in out.read_text()
    output = run("soil", "read", str(path), "--out", str(out), "--mask", "spikes")
    assert "1 suspect hours" in output
    assert ",25" not in out.read_text()


@pytest.mark.parametrize("kind", ["spikes", "flat-line", "fahrenheit", "out-of-ground"])
def test_every_kind_of_suspect_can_be_left_out(kind: str, logger: Path) -> None:
    output = run("soil", "read", str(logger), "--timezone", "UTC", "--mask", kind)
    assert "0 suspect hours" in output


def test_read_asks(tmp_path: Path) -> None:
    path = tmp_path / "logger.csv"
    path.write_bytes(EXPORTS["day or month first"].raw)
    with pytest.raises(InputError, match="--day-first or --month-first"):
        run("soil", "read", str(path), "--timezone", "UTC")
    run("soil", "read", str(path), "--timezone", "UTC", "--day-first")


PLACE = ("--at", "52.2, 0.12")


def test_download_now_and_ahead(service: Playing, tmp_path: Path) -> None:
    out, weather = tmp_path / "soil.csv", tmp_path / "weather.csv"
    output = run(
        "soil", "download", *PLACE, "--base-url", service.url, "--depth-cm", "3",
        "--out", str(out), "--weather-out", str(weather),
    )  # fmt: skip
    assert "Weather data by Open-Meteo.com (CC BY 4.0)" in output
    assert out.read_text().startswith("time_utc,soil_temp_C\n")
    assert weather.read_text().startswith("time_utc,air_temp_C,ghi_W_m2,precip_mm")
    again = run("soil", "read", str(out), "--depth-cm", "3")
    assert "hourly rows" in again


@pytest.mark.parametrize("name", ["open-meteo", "nasa-power"])
def test_download_days_past_then_offline(name: str, service: Playing) -> None:
    words = ("soil", "download", *PLACE, "--service", name, "--from", "2024-04-01", "--to",
             "2024-04-20", "--base-url", service.url)  # fmt: skip
    document = json.loads(run(*words, "--json"))
    assert document["time_utc"][0] == "2024-04-01T00:00Z"
    assert len(document["soil_temp_C"]) == 20 * 24
    assert document["time_utc"][-1] == "2024-04-20T23:00Z"
    service.answer = lambda path, query: Reply(status=500)
    assert json.loads(run(*words, "--json", "--offline"))["soil_temp_C"] == document["soil_temp_C"]


def test_cache_shows_what_is_cached(service: Playing) -> None:
    assert "Nothing is cached yet" in run("soil", "cache")
    run("soil", "download", *PLACE, "--base-url", service.url)
    output = run("soil", "cache")
    assert "forecast" in output
    assert "52.2, 0.12" in output
    document = json.loads(run("soil", "cache", "--json"))
    assert document["answers"][0]["age_h"] < 1


def test_download_says_what_to_do(service: Playing) -> None:
    service.answer = lambda path, query: Reply(status=500)
    with pytest.raises(ServiceError, match="try again later, or use --offline") as caught:
        run("soil", "download", *PLACE, "--base-url", service.url)
    assert caught.value.exit_code == 4
    with pytest.raises(InputError, match="is not a date"):
        run("soil", "download", *PLACE, "--from", "April")
    with pytest.raises(InputError, match="before the first day"):
        run("soil", "download", *PLACE, "--from", "2024-04-02", "--to", "2024-04-01")
