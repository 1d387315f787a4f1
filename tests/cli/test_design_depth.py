"""Depth at which a trial is planned when none is given."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from thermosprout.cli.app import app
from thermosprout.crops.catalogue import find_crop
from thermosprout.trials.records import read_records

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
    assert json.loads(done.output)["depth_cm"] == usual(crop)
    planned = read_records(tmp_path / "bed" / "records.csv", planned=True)
    assert set(planned["depth_cm"]) == {usual(crop)}
    assert usual(crop) != 2.5


@pytest.mark.parametrize(
    ("more", "depth"), [((), "2.5"), (("--depth-cm", "4"), "4"), (("--depth-cm", "0"), "0")]
)
def test_without_a_crop_or_with_a_depth_given(
    tmp_path: Path, more: tuple[str, ...], depth: str
) -> None:
    done = CliRunner().invoke(app, [*DESIGN, *more, "-o", str(tmp_path / "bed")])
    assert done.exit_code == 0, done.exception
    assert f" seeds, {depth} cm deep; " in done.output
    planned = read_records(tmp_path / "bed" / "records.csv", planned=True)
    assert set(planned["depth_cm"]) == {float(depth)}
