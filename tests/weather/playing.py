"""A real HTTP server on loopback that plays the weather services, with invented numbers."""

from __future__ import annotations

import json
import math
import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from itertools import pairwise
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

UNITS = {
    "temperature_2m": "°C",
    "shortwave_radiation": "W/m²",
    "precipitation": "mm",
    "relative_humidity_2m": "%",
    "wind_speed_10m": "m/s",
}


@dataclass
class Reply:
    """What the server sends; ``cut`` closes the connection after so many bytes, ``drip_s`` waits
    after each byte."""

    status: int = 200
    body: bytes = b""
    headers: dict[str, str] = field(default_factory=dict)
    content_type: str = "application/json"
    cut: int | None = None
    wait_s: float = 0.0
    drip_s: float = 0.0


@dataclass
class Playing:
    """The server's address, what it was asked, and how it answers."""

    url: str
    answer: Callable[[str, dict[str, str]], Reply]
    requests: list[tuple[str, dict[str, str]]] = field(default_factory=list)


def sun(hour: float, latitude: float, longitude: float) -> float:
    """Sine of the sun's elevation, none at night: declination after Cooper (1969)."""
    day, north = hour / 24.0, math.radians(latitude)
    down = math.radians(23.45 * math.sin(2 * math.pi * (284 + day % 365.2425 + 1) / 365.0))
    angle = 2 * math.pi * (hour % 24 - 12 + longitude / 15.0) / 24.0
    sine = math.sin(north) * math.sin(down) + math.cos(north) * math.cos(down) * math.cos(angle)
    return max(0.0, sine)


def at(hour: float, latitude: float, longitude: float, member: int = 0) -> dict[str, float]:
    """Invented weather at an hour since 1970: a season, a day, and a member's own wobble."""
    day = hour / 24.0
    season = -math.cos(2 * math.pi * (day % 365.2425 - 15) / 365.2425) * (1 if latitude > 0 else -1)
    year = math.floor(day / 365.2425)
    wobble = 2.0 * math.sin(day / 4.1 + 1.7 * member + 2.3 * year)
    return {
        "temperature_2m": round(11 + 8 * season + 4 * -math.cos(2 * math.pi * (hour - 3) / 24)
                                + wobble, 1),
        "shortwave_radiation": round(700 * sun(hour - 0.5, latitude, longitude), 0),
        "precipitation": 0.4 if int(day + member) % 5 == 0 else 0.0,
        "relative_humidity_2m": 70.0,
        "wind_speed_10m": 2.5,
    }  # fmt: skip


def open_meteo(path: str, query: dict[str, str], today: date) -> dict[str, Any]:
    """Answer in the documented shape."""
    latitude, longitude = float(query["latitude"]), float(query["longitude"])
    if "start_date" in query:
        first = date.fromisoformat(query["start_date"])
        last = date.fromisoformat(query["end_date"])
    else:
        first = today - timedelta(days=int(query.get("past_days", 0)))
        last = today + timedelta(days=int(query.get("forecast_days", 7)) - 1)
    start = int(datetime(first.year, first.month, first.day, tzinfo=UTC).timestamp())
    count = 24 * ((last - first).days + 1)
    stamps = [start + 3600 * i for i in range(count)]
    ready = datetime(today.year, today.month, today.day, tzinfo=UTC).timestamp() - 5 * 86400
    hourly: dict[str, Any] = {"time": stamps}
    units: dict[str, str] = {"time": "unixtime"}
    members = 8 if path.endswith("ensemble") else 1
    weather = [[at(s / 3600, latitude, longitude, m) for s in stamps] for m in range(members)]
    for name in query["hourly"].split(","):
        for member in range(members):
            column = name if member == 0 else f"{name}_member{member:02d}"
            values: list[Any] = [hour[name] for hour in weather[member]]
            units[column] = UNITS[name]
            if path.endswith("archive"):
                values = [v if s <= ready else None for v, s in zip(values, stamps, strict=True)]
            hourly[column] = values
    return {
        "latitude": latitude, "longitude": longitude, "elevation": 38.0,
        "generationtime_ms": 0.5, "utc_offset_seconds": 0, "timezone": "GMT",
        "timezone_abbreviation": "GMT", "hourly_units": units, "hourly": hourly,
    }  # fmt: skip


def power(query: dict[str, str]) -> dict[str, Any]:
    """Answer of the hourly point interface in the documented shape."""
    latitude, longitude = float(query["latitude"]), float(query["longitude"])
    first = datetime.strptime(query["start"], "%Y%m%d").replace(tzinfo=UTC)
    last = datetime.strptime(query["end"], "%Y%m%d").replace(tzinfo=UTC)
    names = {
        "T2M": ("temperature_2m", "C"),
        "ALLSKY_SFC_SW_DWN": ("shortwave_radiation", "Wh/m^2"),
        "PRECTOTCORR": ("precipitation", "mm/hour"),
        "RH2M": ("relative_humidity_2m", "%"),
        "WS2M": ("wind_speed_10m", "m/s"),
    }
    hours = int((last - first).total_seconds() // 3600) + 24
    values: dict[str, dict[str, float]] = {name: {} for name in names}
    start = first.timestamp() / 3600
    weather = [at(start + step, latitude, longitude) for step in range(hours + 1)]
    for step, (now, after) in enumerate(pairwise(weather)):
        stamp = f"{first + timedelta(hours=step):%Y%m%d%H}"
        for name, (ours, _) in names.items():
            # Radiation of the hour that begins at the stamp, where the other service ends it.
            values[name][stamp] = (after if ours == "shortwave_radiation" else now)[ours]
    return {
        "type": "Feature",
        "geometry": {"type": "Point", "coordinates": [longitude, latitude, 41.0]},
        "properties": {"parameter": values},
        "parameters": {
            name: {"units": unit, "longname": name} for name, (_, unit) in names.items()
        },
    }


def good(path: str, query: dict[str, str], today: date | None = None) -> Reply:
    """Serve a good answer of whichever service the path is of."""
    return Reply(body=_body(path, tuple(query.items()), today or datetime.now(UTC).date()))


@lru_cache(maxsize=64)
def _body(path: str, query: tuple[tuple[str, str], ...], today: date) -> bytes:
    parameters = dict(query)
    document = power(parameters) if "temporal" in path else open_meteo(path, parameters, today)
    return json.dumps(document).encode()


@contextmanager
def play(answer: Callable[[str, dict[str, str]], Reply]) -> Iterator[Playing]:
    """Serve on a free port of loopback until the block ends."""
    playing = Playing(url="", answer=answer)

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"
        disable_nagle_algorithm = True  # or each answer waits 40 ms for a receipt of its head

        def do_GET(self) -> None:
            parts = urlsplit(self.path)
            query = {key: values[0] for key, values in parse_qs(parts.query).items()}
            playing.requests.append((parts.path, query))
            reply = playing.answer(parts.path, query)
            time.sleep(reply.wait_s)
            try:
                self.send_response(reply.status)
                self.send_header("Content-Type", reply.content_type)
                self.send_header("Content-Length", str(len(reply.body)))
                for name, value in reply.headers.items():
                    self.send_header(name, value)
                self.end_headers()
                for byte in reply.body if reply.drip_s else b"":
                    self.wfile.write(bytes([byte]))
                    time.sleep(reply.drip_s)
                if not reply.drip_s:
                    self.wfile.write(reply.body if reply.cut is None else reply.body[: reply.cut])
                if reply.cut is not None:
                    self.close_connection = True
            except OSError:
                self.close_connection = True

        def log_message(self, *_: object) -> None:
            return

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    playing.url = f"http://127.0.0.1:{server.server_address[1]}"
    thread = threading.Thread(
        target=server.serve_forever, kwargs={"poll_interval": 0.005}, daemon=True
    )
    thread.start()
    try:
        yield playing
    finally:
        server.shutdown()
        server.server_close()
        thread.join(5)


def rewrite_cache(folder: Path, change: Callable[[str], str | bytes | None]) -> None:
    """Change the rows of a cache, as another program, a spoilt disk or the years would."""
    with closing(sqlite3.connect(folder / "weather.sqlite")) as opened, opened:
        rows = opened.execute("SELECT key, value FROM responses").fetchall()
        for key, value in rows:
            opened.execute("UPDATE responses SET value = ? WHERE key = ?", (change(value), key))
