"""Maps written tile by tile: the same as in one go, after an interruption and on a cluster."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from typer.testing import CliRunner

from tests.planning.map_grids import daily_grid, hourly_grid
from thermosprout.cli.app import app
from thermosprout.errors import InputError
from thermosprout.maps.files import open_grid, tile_shape, tiles, write_map
from thermosprout.maps.map import emergence_map, map_summary

DAYS = ["2026-03-10", "2026-04-10", "2026-06-01"]


@pytest.fixture
def soil_file(tmp_path: Path) -> Path:
    path = tmp_path / "soil.nc"
    daily_grid().to_netcdf(path, engine="h5netcdf")
    return path


def lazy_map(path: Path, tile_cells: int = 28) -> xr.Dataset:
    grid, _ = open_grid(path, tile_cells=tile_cells)
    return emergence_map(grid, "carrot", sowings=DAYS)


def read(path: Path) -> xr.Dataset:
    if path.is_dir():
        return xr.open_zarr(path, decode_timedelta=False).load()
    with xr.open_dataset(path, engine="h5netcdf", decode_timedelta=False) as held:
        return held.load()


@pytest.mark.parametrize("name", ["map.nc", "map.zarr"])
def test_written_map_equals_the_map_in_memory(tmp_path: Path, soil_file: Path, name: str) -> None:
    result = lazy_map(soil_file)
    assert len(tiles(result)) == 6
    steps: list[tuple[int, int]] = []
    out = write_map(result, tmp_path / name, progress=lambda *step: steps.append(step))
    assert steps == [(n, 6) for n in range(7)]
    on_disk = read(out)
    expected = emergence_map(daily_grid(), "carrot", sowings=DAYS)
    xr.testing.assert_allclose(on_disk.drop_attrs(), expected.drop_attrs(), rtol=1e-6)
    assert on_disk["days_since_planted"].dtype == np.float32
    assert on_disk["outcome"].dtype == np.int8
    assert on_disk["outcome"].attrs["flag_meanings"].split()[0] == "reached"
    assert on_disk["days_since_planted"].attrs["units"] == "days"
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(["soil.nc", name])


def test_hourly_zarr_is_read_along_its_chunks(tmp_path: Path) -> None:
    path = tmp_path / "soil.zarr"
    hourly_grid(8, 6).to_dataset().to_zarr(
        path, zarr_format=2, encoding={"soil_temperature": {"chunks": (1920, 4, 3)}}
    )
    grid, reads = open_grid(path, tile_cells=13)
    assert grid.chunksizes["lat"] == (4, 4)
    assert grid.chunksizes["lon"] == (3, 3)
    assert reads == 1
    out = write_map(emergence_map(grid, "carrot", sowings=DAYS[:2]), tmp_path / "map.zarr")
    expected = emergence_map(hourly_grid(8, 6), "carrot", sowings=DAYS[:2])
    xr.testing.assert_allclose(read(out).drop_attrs(), expected.drop_attrs(), rtol=1e-6)


def test_projected_grid_keeps_its_projection(tmp_path: Path) -> None:
    grid = daily_grid(4, 5, 60).rename(lat="y", lon="x")
    grid["y"].attrs = {"units": "m", "standard_name": "projection_y_coordinate"}
    grid["x"].attrs = {"units": "m", "standard_name": "projection_x_coordinate"}
    grid["lambert"] = ((), 0, {"grid_mapping_name": "lambert_conformal_conic"})
    for name in ("tslmin", "tslmax"):
        grid[name].attrs["grid_mapping"] = "lambert"
    grid.to_netcdf(tmp_path / "soil.nc", engine="h5netcdf")
    soil, _ = open_grid(tmp_path / "soil.nc")
    out = write_map(emergence_map(soil, "carrot", sowings=DAYS[:1]), tmp_path / "map.nc")
    with xr.open_dataset(
        out, engine="h5netcdf", decode_coords="all", decode_timedelta=False
    ) as on_disk:
        assert on_disk["lambert"].attrs["grid_mapping_name"] == "lambert_conformal_conic"
        assert on_disk["days_since_planted"].dims[-2:] == ("y", "x")
        assert on_disk["days_since_planted"].encoding["grid_mapping"] == "lambert"


def test_tiles_follow_what_is_stored() -> None:
    assert tile_shape({"lat": 100, "lon": 200}, {}, 1000) == {"lat": 5, "lon": 200}
    assert tile_shape({"lat": 100, "lon": 200}, {"lat": 10, "lon": 10}, 400) == {
        "lat": 10,
        "lon": 40,
    }
    assert tile_shape({"lat": 100, "lon": 200}, {"lat": 100, "lon": 200}, 400) == {
        "lat": 2,
        "lon": 200,
    }
    assert tile_shape({"y": 3, "x": 4}, {}, 10_000) == {"y": 3, "x": 4}


class _Stopped(Exception):
    """Stands for whatever interrupts a run."""


def test_interrupted_map_goes_on_where_it_stopped(tmp_path: Path, soil_file: Path) -> None:
    whole = read(write_map(lazy_map(soil_file), tmp_path / "whole.zarr"))

    def stop(done: int, _total: int) -> None:
        if done == 2:
            raise _Stopped

    out = tmp_path / "map.zarr"
    with pytest.raises(_Stopped):
        write_map(lazy_map(soil_file), out, progress=stop)
    assert not out.exists()
    steps: list[int] = []
    write_map(lazy_map(soil_file), out, progress=lambda done, _: steps.append(done))
    assert steps == [2, 3, 4, 5, 6]
    xr.testing.assert_identical(read(out), whole)


def test_unfinished_map_of_something_else_is_not_mixed_in(tmp_path: Path, soil_file: Path) -> None:
    def stop(done: int, _total: int) -> None:
        if done == 2:
            raise _Stopped

    out = tmp_path / "map.zarr"
    with pytest.raises(_Stopped):
        write_map(lazy_map(soil_file), out, progress=stop)
    grid, _ = open_grid(soil_file, tile_cells=28)
    other = emergence_map(grid, "pea", sowings=DAYS)
    with pytest.raises(InputError, match="made from other soil or other options; begin it again"):
        write_map(other, out)
    write_map(other, out, restart=True)
    assert read(out)["crop"].item() == "pea"
    with pytest.raises(InputError, match="such a map already"):
        write_map(other, out)
    write_map(other, out, overwrite=True)
    with pytest.raises(InputError, match="no such folder"):
        write_map(other, tmp_path / "nowhere" / "map.nc")
    with pytest.raises(InputError, match="chunked"):
        write_map(emergence_map(daily_grid(), "pea", sowings=DAYS), tmp_path / "b.nc")


@pytest.mark.slow
def test_killed_process_leaves_a_map_that_goes_on(tmp_path: Path) -> None:
    path, out = tmp_path / "soil.nc", tmp_path / "map.nc"
    daily_grid(90, 120, 100).to_netcdf(path, engine="h5netcdf")
    command = [
        sys.executable, "-m", "thermosprout", "map", str(path), "--crop", "carrot", "--crop", "pea",
        "--sow", "2026-03-10", "--until", "2026-05-10", "--every", "6", "--out", str(out), "--json",
        "--tile-cells", "1200", "--threads", "1",
    ]  # fmt: skip
    journal = tmp_path / "map.nc.unfinished" / "done.txt"
    run = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline and run.poll() is None:
        if journal.exists() and journal.read_text().count("\n") > 1:
            break
        time.sleep(0.02)
    run.send_signal(signal.SIGKILL)
    run.communicate()
    assert run.returncode == -signal.SIGKILL, "the map was done before it could be killed"
    assert not out.exists()
    done = journal.read_text().split()[1:]  # the first line says what the map is made from
    again = subprocess.run(command, capture_output=True, text=True, check=True)
    answer = json.loads(again.stdout)
    assert answer["tiles_before"] == len(done) >= 1
    assert "Going on with an interrupted map" in again.stderr
    assert answer["tiles"] > answer["tiles_before"]
    expected = emergence_map(
        daily_grid(90, 120, 100),
        ["carrot", "pea"],
        sowings=np.arange("2026-03-10", "2026-05-11", 6, dtype="M8[D]"),
    )
    xr.testing.assert_allclose(read(out).drop_attrs(), expected.drop_attrs(), rtol=1e-6)


@pytest.mark.slow
def test_cluster_that_loses_a_worker_gives_the_same_map(tmp_path: Path, soil_file: Path) -> None:
    distributed = pytest.importorskip("distributed")
    alone = read(write_map(lazy_map(soil_file, 14), tmp_path / "alone.zarr"))
    lost: list[int] = []
    with (
        distributed.LocalCluster(
            n_workers=3,
            threads_per_worker=1,
            processes=True,
            host="127.0.0.1",
            dashboard_address=None,
        ) as cluster,
        distributed.Client(cluster) as client,
    ):
        workers = client.run(os.getpid)
        assert len(workers) == 3

        def kill_one(done: int, _total: int) -> None:
            if done == 3 and not lost:
                lost.append(next(iter(workers.values())))
                os.kill(lost[0], signal.SIGKILL)

        out = write_map(
            lazy_map(soil_file, 14), tmp_path / "shared.zarr", client=client, progress=kill_one
        )
        deadline = time.monotonic() + 20
        while set(client.run(os.getpid).values()) & set(lost) and time.monotonic() < deadline:
            time.sleep(0.1)
        assert lost[0] not in client.run(os.getpid).values()
    xr.testing.assert_identical(read(out), alone)


def test_command_prints_what_the_map_holds(tmp_path: Path, soil_file: Path) -> None:
    out = tmp_path / "map.nc"
    arguments = [
        "map", str(soil_file), "--crop", "carrot", "--crop", "snap bean", "--sow", "2026-03-10",
        "--until", "2026-06-20", "--every", "50", "--treatment", "direct", "--treatment",
        "presprouted", "--out", str(out),
    ]  # fmt: skip
    result = CliRunner().invoke(app, arguments)
    assert result.exit_code == 0, result.stderr
    assert "carrot" in result.stdout
    assert "presprouted" in result.stdout
    assert max(map(len, result.stdout.splitlines())) <= 80
    assert "Wrote" in result.stderr
    again = CliRunner().invoke(app, [*arguments, "--force", "--json"])
    rows = json.loads(again.stdout)["rows"]
    assert len(rows) == 2 * 2 * 3
    assert rows == json.loads(json.dumps(map_summary(out)))
    carrots = read(out).sel(crop="carrot", treatment="presprouted", stage="half", odds=0.5)
    row = next(r for r in rows if (r["crop"], r["treatment"]) == ("carrot", "presprouted"))
    days = carrots["days_since_planted"].isel(sowing=0)
    assert row["cells"] == 12 * 14 - 14
    assert row["reached"] == 1
    assert row["days_since_planted"]["mean"] == pytest.approx(float(days.mean()), rel=1e-5)
    assert row["days_since_planted"]["latest"] == pytest.approx(float(days.max()), rel=1e-5)
    lead = float(carrots["days_before_planting"])
    assert row["days_since_started"]["mean"] == pytest.approx(float(days.mean()) + lead, rel=1e-5)
    late = [r for r in rows if r["planted"].startswith("2026-06-18") and r["crop"] == "snap bean"]
    assert late[0]["reached"] == 0
    assert late[0]["days_since_planted"]["mean"] is None


@pytest.mark.parametrize(
    ("changed", "sentence"),
    [
        ({"--sow": "soon"}, "'soon' is not a date"),
        ({"--until": "2026-01-01"}, "lies before"),
        ({"--crop": "carott"}, "did you mean carrot"),
        ({"--treatment": "fried"}, "no treatment 'fried'"),
        ({"--variable": "x"}, "no variable 'x'"),
        ({"--sow": "2027-01-01"}, "does not cover a sowing"),
        ({"--scheduler": "tcp://127.0.0.1:9"}, "no dask scheduler answers"),
    ],
)
def test_command_says_what_is_wrong(
    tmp_path: Path,
    soil_file: Path,
    monkeypatch: pytest.MonkeyPatch,
    changed: dict[str, str],
    sentence: str,
) -> None:
    monkeypatch.setattr("thermosprout.cli.map.SECONDS_TO_ANSWER", 0.3)
    options = {"--crop": "carrot", "--sow": "2026-03-10", "--out": str(tmp_path / "m.nc")} | changed
    arguments = [part for pair in options.items() for part in pair]
    result = CliRunner().invoke(app, ["map", str(soil_file), *arguments])
    assert sentence in str(result.exception)
    assert result.stdout == ""
    assert not (tmp_path / "m.nc").exists()


def test_files_that_are_no_grid_are_refused(tmp_path: Path) -> None:
    text = tmp_path / "soil.nc"
    text.write_text("time,soil\n")
    with pytest.raises(InputError, match="neither a NetCDF file nor a Zarr folder"):
        open_grid(text)
    with pytest.raises(InputError, match="no such file"):
        open_grid(tmp_path / "absent.nc")
    text.write_bytes(b"\x89HDF\r\n\x1a\n" + b"\0" * 50)
    with pytest.raises(InputError, match=r"soil\.nc: cannot be read as a grid"):
        open_grid(text)
    (tmp_path / "empty").mkdir()
    with pytest.raises(InputError, match="cannot be read as a grid"):
        open_grid(tmp_path / "empty")
