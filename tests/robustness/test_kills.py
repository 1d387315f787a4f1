"""Programs killed at random instants, and two at once: what was confirmed is there, all is whole.

``THERMOSPROUT_KILLS=500`` sets how many kills the slow test makes over all four kinds; every point
at which a program may stop while it records is walked in ``test_crash_points.py``.
"""

from __future__ import annotations

import os
import random
import signal
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.robustness.readers import READERS, SEASON
from tests.weather.playing import Reply, play
from thermosprout.crops.saved_estimates import load_saved, read_saved, save_estimate
from thermosprout.errors import InputError
from thermosprout.files import write_atomic
from thermosprout.season.load import load_season
from thermosprout.trials.records.append import append_records
from thermosprout.trials.records.read import read_records
from thermosprout.weather.session import WeatherSession

Work = Callable[[int], None]
"""Does one piece of work, told by its number, and returns when it may be called done."""


def killed_at_random(work: Work, rng: random.Random, first: int, longest_s: float) -> int:
    """Let a child work until it is killed; the number of the first piece not confirmed."""
    out, into = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            number = first
            while True:
                work(number)
                number += 1
                os.write(into, b".")
        except BaseException:
            os.write(into, b"!")
            os._exit(1)
    os.close(into)
    assert os.read(out, 1) == b"."  # the first piece, so that the kill meets the work
    time.sleep(rng.random() * longest_s)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    said = b"."
    while part := os.read(out, 4096):
        said += part
    os.close(out)
    assert b"!" not in said, "the work failed before it was killed"
    return first + len(said)


def of_records(folder: Path) -> tuple[Work, Callable[[int], None]]:
    path = folder / "trial.csv"
    facts = {"treatment": "direct", "started": "1999-01-01", "planted": "1999-01-01",
             "seeds_started": "100000", "seeds_planted": "100000"}  # fmt: skip
    append_records(path, [{"plot": f"P{i}", **facts} for i in range(9)])

    def cells(number: int) -> dict[str, str]:
        day, plot = divmod(number, 9)
        stamp = f"{2000 + day // 336}-{1 + day // 28 % 12:02}-{1 + day % 28:02}"
        return {"plot": f"P{plot}", "inspected": stamp, "emerged": str(day)}

    def check(confirmed: int) -> None:
        frame = read_records(path)
        held = set(zip(frame["plot"], frame["emerged"].astype(int), strict=True))
        for number in range(confirmed):
            day, plot = divmod(number, 9)
            assert (f"P{plot}", day) in held, f"count {number} was confirmed and is lost"

    return lambda number: void(append_records(path, [cells(number)])), check


def of_estimates(folder: Path) -> tuple[Work, Callable[[int], None]]:
    seed = folder / "seed.toml"
    seed.write_bytes(READERS["estimate"].seeds()[0])
    saved = read_saved(seed)
    place = folder / "estimates"
    save_estimate(place, saved)

    def check(_: int) -> None:
        (now,) = load_saved(place).values()
        assert (now.estimate.mean == saved.estimate.mean).all()
        for path in (place / "older").glob("*.toml"):
            read_saved(path)

    return lambda _: void(save_estimate(place, saved)), check


def of_seasons(folder: Path) -> tuple[Work, Callable[[int], None]]:
    path = folder / "season.toml"
    texts = [SEASON, SEASON + "# a note\n" * 9000]
    write_atomic(path, texts[0])

    def check(_: int) -> None:
        assert path.read_text(encoding="utf-8") in texts
        load_season(path)

    return lambda number: write_atomic(path, texts[number % 2]), check


def void(_: object) -> None:
    """Drop a result."""


def stored(_: bytes, __: datetime) -> bool:
    """Let every answer be cached."""
    return True


KINDS = {"record": of_records, "calibrate": of_estimates, "start": of_seasons}


def kill_many(kind: str, folder: Path, kills: int, seed: int) -> None:
    rng = random.Random(f"{kind} {seed}")
    work, check = KINDS[kind](folder)
    first = 0
    for _ in range(kills):
        first = killed_at_random(work, rng, first, 0.02)
        check(first)


def kill_while_caching(folder: Path, kills: int, seed: int) -> None:
    """Cached answers come back whole or are asked for again, never bent, never a traceback."""
    rng = random.Random(seed)
    body = b'{"hourly": [' + b"1.5," * 30_000 + b"0]}"
    with play(lambda path, query: Reply(body=body)) as service:

        def ask(number: int, *, offline: bool = False) -> bytes:
            with WeatherSession(folder=folder, offline=offline) as session:
                return session.get(
                    "play", service.url + "/a", {"n": number}, check=stored, expires_s=-1
                ).body

        first = 0
        for _ in range(kills):
            confirmed = killed_at_random(lambda n: void(ask(n)), rng, first, 0.05)
            for number in range(first, confirmed):
                assert ask(number, offline=True) == body
            assert ask(confirmed) == body
            first = confirmed + 1
    assert not list(folder.glob("weather.broken-*"))


@pytest.mark.parametrize("kind", KINDS)
def test_a_few_kills(kind: str, tmp_path: Path) -> None:
    kill_many(kind, tmp_path, 8, seed=1)


def test_a_few_kills_while_caching(tmp_path: Path) -> None:
    kill_while_caching(tmp_path, 3, seed=1)


@pytest.mark.slow
def test_many_kills(tmp_path: Path) -> None:
    kills = int(os.environ.get("THERMOSPROUT_KILLS", "80"))
    for kind in KINDS:
        folder = tmp_path / kind
        folder.mkdir()
        kill_many(kind, folder, kills // 4, seed=2)
    kill_while_caching(tmp_path / "cache", kills - 3 * (kills // 4), seed=2)


def in_two_children(work: Callable[[int], None]) -> None:
    """Run the work in two processes at once; each must end well."""
    children = []
    for number in range(2):
        child = os.fork()
        if child == 0:
            try:
                work(number)
            except BaseException:
                os._exit(1)
            os._exit(0)
        children.append(child)
    assert [os.waitpid(child, 0)[1] for child in children] == [0, 0]


def test_two_programs_save_estimates_at_once(tmp_path: Path) -> None:
    work, check = of_estimates(tmp_path)
    in_two_children(lambda _: [work(n) for n in range(25)] and None)
    check(0)
    assert not list(tmp_path.rglob(".*.toml.*"))


def test_two_programs_fill_the_cache_at_once(tmp_path: Path) -> None:
    with play(lambda path, query: Reply(body=b'{"n": ' + query["n"].encode() + b"}")) as service:

        def ask(number: int, offline: bool = False) -> bytes:
            with WeatherSession(folder=tmp_path, offline=offline) as session:
                return session.get(
                    "play", service.url + "/a", {"n": number}, check=stored, expires_s=-1
                ).body

        in_two_children(lambda which: [ask(2 * n + which) for n in range(12)] and None)
        assert [ask(n, offline=True) for n in range(24)] == [b'{"n": %d}' % n for n in range(24)]


def test_a_clock_set_back_keeps_the_count_entered_last(tmp_path: Path) -> None:
    path = tmp_path / "trial.csv"
    facts = {"treatment": "direct", "started": "2026-04-01", "planted": "2026-04-01",
             "seeds_started": "50", "seeds_planted": "50"}  # fmt: skip
    count = {"plot": "A", "inspected": "2026-04-20"}
    append_records(path, [{"plot": "A", **facts}], now=datetime(2026, 4, 21, tzinfo=UTC))
    append_records(path, [{**count, "emerged": "9"}], now=datetime(2026, 4, 21, 9, tzinfo=UTC))
    earlier = datetime(2026, 4, 20, 22, tzinfo=UTC)
    append_records(path, [{**count, "emerged": "7"}], correct=True, now=earlier)
    frame = read_records(path)
    assert frame["emerged"].tolist() == [7]


def test_a_file_locked_by_another_program_is_one_sentence(tmp_path: Path) -> None:
    from thermosprout.trials.records.file import locked

    path = tmp_path / "trial.csv"
    with locked(path):
        child = os.fork()
        if child == 0:
            try:
                with locked(path, wait_s=0.05):
                    os._exit(1)
            except InputError as error:
                os._exit(0 if "another program is writing" in str(error) else 2)
        assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0
