"""Depth at which a trial is planned when none is given."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from thermosprout.cli.app import app
from thermosprout.crops.catalogue import find_crop
from thermosprout.trials.records.read import read_records

DESIGN = ("trial", "design", "-t", "direct", "-t", "soaked", "--planting", "2026-09-20")


def usual(name: str) -> float:
    depth = find_crop(name).practice.depth_cm
    assert depth is not None
    return depth


@pytest.mark.parametrize("crop", ["carrot", "radish"])
def test_a_crop_brings_its_usual_depth(tmp_path: Path, crop: str) -> None:
    words = ("--crop", crop, "--simulations", "100", "-o", str(tmp_path / "bed"), "--json")
    done = CliRunner().invoke(app, [*DESIGN, *words])
    assert done.exit_code == 0, done.exception
    assert json.loads(done.stdout)["depth_cm"] == usual(crop)
    planned = read_records(tmp_path / "bed" / "records.csv", planned=True)
    assert set(planned["depth_cm"]) == {usual(crop)}


@pytest.mark.parametrize(
    ("more", "depth"), [((), "2"), (("--depth-cm", "4"), "4"), (("--depth-cm", "0"), "0")]
)
def test_without_a_crop_or_with_a_depth_given(
    tmp_path: Path, more: tuple[str, ...], depth: str
) -> None:
    done = CliRunner().invoke(app, [*DESIGN, *more, "-o", str(tmp_path / "bed")])
    assert done.exit_code == 0, done.exception
    assert f" seeds, {depth} cm deep; " in done.output
    planned = read_records(tmp_path / "bed" / "records.csv", planned=True)
    assert set(planned["depth_cm"]) == {float(depth)}


@pytest.mark.parametrize(
    ("crop", "more", "hours", "told"),
    [
        ("snap bean", (), 4, False),
        ("carrot", (), 12, False),
        ("snap bean", ("--soak-h", "24"), 24, True),
        ("carrot", ("--soak-h", "24"), 24, False),
    ],
)
def test_a_crop_is_soaked_no_longer_than_it_stands(
    tmp_path: Path, crop: str, more: tuple[str, ...], hours: int, told: bool
) -> None:
    words = ("--crop", crop, "--simulations", "100", "-o", str(tmp_path / "bed"), "--json", *more)
    done = CliRunner().invoke(app, [*DESIGN, *words])
    assert done.exit_code == 0, done.exception
    planned = read_records(tmp_path / "bed" / "records.csv", planned=True)
    soaked = planned[planned["treatment"] == "soaked"].iloc[0]
    assert (soaked["planted"] - soaked["started"]).total_seconds() == 3600 * hours
    assert find_crop("snap bean").safe_soak_h == 4
    assert any("of soaking" in note for note in json.loads(done.stdout)["notes"]) == told
