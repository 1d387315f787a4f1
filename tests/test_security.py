"""What the package never does: run data as code, start a shell, trust a connection unseen."""

from __future__ import annotations

import ast
import re
from functools import cache
from pathlib import Path

import pytest

import thermosprout

PACKAGE = Path(thermosprout.__file__).parent
FORBIDDEN_MODULES = {"pickle", "marshal", "shelve", "yaml", "subprocess", "telnetlib", "ftplib"}
FORBIDDEN_CALLS = {"eval", "exec", "compile", "__import__"}
SUSPECT = re.compile(
    rf"\b({'|'.join(FORBIDDEN_MODULES)}|system|popen|verify|shell|allow_pickle)\b"
    rf"|(?<!\.)\b({'|'.join(FORBIDDEN_CALLS)})\b"
)
"""A file without any of these words needs no closer look."""


@cache
def nodes() -> list[tuple[str, ast.AST]]:
    """Every import and call of the package, with its file."""
    return [
        (str(path.relative_to(PACKAGE)), node)
        for path in sorted(PACKAGE.rglob("*.py"))
        if SUSPECT.search(text := path.read_text(encoding="utf-8"))
        for node in ast.walk(ast.parse(text))
        if isinstance(node, ast.Import | ast.ImportFrom | ast.Call)
    ]


def imported(node: ast.AST) -> list[str]:
    if isinstance(node, ast.Import):
        return [alias.name for alias in node.names]
    return [node.module or ""] if isinstance(node, ast.ImportFrom) else []


def test_no_module_that_runs_data_or_starts_programs_is_imported() -> None:
    found = [
        (name, module)
        for name, node in nodes()
        for module in imported(node)
        if module.split(".")[0] in FORBIDDEN_MODULES
    ]
    assert found == []


def test_nothing_is_evaluated_or_handed_to_a_shell() -> None:
    found = []
    for name, node in nodes():
        if not isinstance(node, ast.Call):
            continue
        if isinstance(node.func, ast.Name) and node.func.id in FORBIDDEN_CALLS:
            found.append((name, node.lineno))
        if isinstance(node.func, ast.Attribute) and node.func.attr in {"system", "popen"}:
            found.append((name, node.lineno))
        for keyword in node.keywords:
            value = keyword.value
            off = isinstance(value, ast.Constant) and value.value is False
            on = isinstance(value, ast.Constant) and value.value is True
            if (keyword.arg == "verify" and off) or (keyword.arg == "shell" and on):
                found.append((name, node.lineno))
            if keyword.arg == "allow_pickle" and on:
                found.append((name, node.lineno))
    assert found == []


@pytest.mark.parametrize("name", ["../counts.csv", "/etc/hostname", "a/../../b.csv"])
def test_a_season_cannot_name_files_outside_its_folder(tmp_path: Path, name: str) -> None:
    from thermosprout.errors import InputError
    from thermosprout.season.load import load_season

    path = tmp_path / "season.toml"
    path.write_text(
        'format = 1\n[site]\nname = "A"\nlatitude = 1.0\nlongitude = 1.0\ntimezone = "UTC"\n'
        f'[soil]\nfile = "{name}"\n',
        encoding="utf-8",
    )
    season = load_season(path)
    with pytest.raises(InputError, match="outside the folder"):
        season.resolve(name, "soil", "file")


def test_a_link_out_of_the_folder_is_not_followed(tmp_path: Path) -> None:
    from thermosprout.errors import InputError
    from thermosprout.season.load import load_season

    secret = tmp_path / "secret.csv"
    secret.write_text("x", encoding="utf-8")
    folder = tmp_path / "season"
    folder.mkdir()
    (folder / "soil.csv").symlink_to(secret)
    path = folder / "season.toml"
    path.write_text(
        'format = 1\n[site]\nname = "A"\nlatitude = 1.0\nlongitude = 1.0\ntimezone = "UTC"\n'
        '[soil]\nfile = "soil.csv"\n',
        encoding="utf-8",
    )
    with pytest.raises(InputError, match="outside the folder"):
        load_season(path).resolve("soil.csv", "soil", "file")


def test_a_small_file_that_unpacks_huge_is_refused(tmp_path: Path) -> None:
    import h5py

    from thermosprout.errors import InputError
    from thermosprout.soil.readers.netcdf import read_soil_netcdf

    path = tmp_path / "packed.nc"
    with h5py.File(path, "w") as made:
        made.create_dataset(
            "soil_temperature", shape=(10**6, 10**6), dtype="f4", chunks=(1000, 1000),
            compression="gzip",
        )  # fmt: skip
    assert path.stat().st_size < 100_000
    with pytest.raises(InputError, match=r"unpacked it holds 4000 GB, at most 2 GB") as caught:
        read_soil_netcdf(path)
    assert "\n" not in str(caught.value)


def test_an_answer_that_unpacks_too_large_is_cut(tmp_path: Path) -> None:
    import gzip

    from tests.weather.playing import Reply, play
    from thermosprout.errors import ServiceError
    from thermosprout.weather.session import WeatherSession

    packed = gzip.compress(b"[" + b"1," * 40_000_000 + b"1]", 9)
    assert len(packed) < 200_000
    reply = Reply(body=packed, headers={"Content-Encoding": "gzip"})
    with (
        play(lambda path, query: reply) as service,
        WeatherSession(folder=tmp_path) as session,
        pytest.raises(ServiceError, match="larger than 60 MB"),
    ):
        session.get("play", f"{service.url}/a", {}, check=lambda *_: True, expires_s=1)
