"""The cache as a file: data only, with a number, and put aside rather than misread."""

from __future__ import annotations

import pickle
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from tests.weather.playing import Reply, play
from thermosprout.errors import InputError
from thermosprout.weather.session import FORMAT, WeatherSession

BODY = b'{"hourly": [1.50, 2e0, 3]}'


def ask(folder: Path, url: str, *, offline: bool = False) -> bytes:
    with WeatherSession(folder=folder, offline=offline) as session:
        return session.get("play", f"{url}/a", {"n": 1}, check=lambda *_: True, expires_s=-1).body


def test_cached_answers_keep_every_byte_and_the_layout(
    tmp_path: Path,
) -> None:
    with play(lambda path, query: Reply(body=BODY)) as service:
        ask(tmp_path, service.url)
        assert ask(tmp_path, service.url, offline=True) == BODY
    with closing(sqlite3.connect(tmp_path / "weather.sqlite")) as database:
        assert database.execute("PRAGMA user_version").fetchone() == (FORMAT,)
        (value,) = database.execute("SELECT value FROM responses").fetchone()
    assert isinstance(value, str)
    assert value.startswith("{")


class Bomb:
    """What runs when it is unpickled."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def __reduce__(self) -> tuple[object, tuple[str]]:
        return (Path.mkdir, (self.path,))  # type: ignore[return-value]


def test_a_cache_that_holds_a_program_is_never_run(tmp_path: Path) -> None:
    sprung = tmp_path / "sprung"
    with play(lambda path, query: Reply(body=BODY)) as service:
        folder = tmp_path / "cache"
        ask(folder, service.url)
        with closing(sqlite3.connect(folder / "weather.sqlite")) as database:
            database.execute("UPDATE responses SET value = ?", (pickle.dumps(Bomb(sprung)),))
            database.commit()
        assert ask(folder, service.url) == BODY
        assert len(service.requests) == 2
    assert not sprung.exists()


def test_a_cache_without_a_number_is_put_aside(tmp_path: Path) -> None:
    with closing(sqlite3.connect(tmp_path / "weather.sqlite")) as database:
        database.execute(
            "CREATE TABLE responses (key TEXT PRIMARY KEY, value BLOB, expires INTEGER)"
        )
    with play(lambda path, query: Reply(body=BODY)) as service:
        assert ask(tmp_path, service.url) == BODY
    assert list(tmp_path.glob("weather.older-*.sqlite"))


def test_a_cache_of_a_later_version_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "weather.sqlite"
    with closing(sqlite3.connect(path)) as database:
        database.execute(f"PRAGMA user_version = {FORMAT + 1}")
    before = path.read_bytes()
    with pytest.raises(InputError, match=f"has format {FORMAT + 1}, this version reads") as caught:
        ask(tmp_path, "http://127.0.0.1:9")
    assert "\n" not in str(caught.value)
    assert path.read_bytes() == before


def test_a_cache_locked_by_another_program_is_said_and_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "weather.sqlite"
    connect = sqlite3.connect
    monkeypatch.setattr(sqlite3, "connect", lambda *a, **k: connect(*a, **{**k, "timeout": 0.05}))
    with closing(connect(path, isolation_level=None)) as database:
        database.execute("BEGIN EXCLUSIVE")
        with pytest.raises(InputError, match=r"cache cannot be used .database is locked"):
            ask(tmp_path, "http://127.0.0.1:9")
    assert path.exists()
    assert not list(tmp_path.glob("weather.broken-*"))
