"""What ``trial design`` takes for granted: depth, length of a soak, names of treatments."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from thermosprout.cli.app import app
from thermosprout.crops.catalogue import find_crop
from thermosprout.trials.records.read import read_records

BOTH = ("direct", "soaked")


@pytest.fixture(autouse=True)
def _no_picture(monkeypatch: pytest.MonkeyPatch) -> None:
    """The bed is drawn in ``test_trial.py``."""
    monkeypatch.setattr("thermosprout.cli.output.picture_bytes", lambda figure, path: b"drawn")


def design(out: Path, *treatments: str, more: tuple[str, ...] = ()) -> Any:
    words = [word for name in treatments for word in ("-t", name)]
    return CliRunner().invoke(
        app, ["trial", "design", *words, "--planting", "2026-09-20", "-o", str(out), *more]
    )


@pytest.mark.parametrize(
    ("crop", "more", "hours", "noted"),
    [
        ("snap bean", (), 4, False),
        ("carrot", (), 12, False),
        ("radish", (), 12, False),
        ("snap bean", ("--soak-h", "24"), 24, True),
        ("carrot", ("--soak-h", "24"), 24, False),
    ],
)
def test_a_crop_brings_its_depth_and_its_longest_soak(
    tmp_path: Path, crop: str, more: tuple[str, ...], hours: int, noted: bool
) -> None:
    words = ("--crop", crop, "--simulations", "100", "--json", *more)
    done = design(tmp_path / "bed", *BOTH, more=words)
    assert done.exit_code == 0, done.exception
    document = json.loads(done.stdout)
    planned = read_records(tmp_path / "bed" / "records.csv", planned=True)
    assert {document["depth_cm"], *planned["depth_cm"]} == {find_crop(crop).practice.depth_cm}
    soaked = planned[planned["treatment"] == "soaked"].iloc[0]
    assert (soaked["planted"] - soaked["started"]).total_seconds() == 3600 * hours
    assert find_crop("snap bean").safe_soak_h == 4
    assert any("of soaking" in note for note in document["notes"]) == noted


@pytest.mark.parametrize(
    ("more", "depth"), [((), "2"), (("--depth-cm", "4"), "4"), (("--depth-cm", "0"), "0")]
)
def test_depth_without_a_crop(tmp_path: Path, more: tuple[str, ...], depth: str) -> None:
    done = design(tmp_path / "bed", *BOTH, more=more)
    assert done.exit_code == 0, done.exception
    assert f" seeds, {depth} cm deep; " in done.output
    planned = read_records(tmp_path / "bed" / "records.csv", planned=True)
    assert set(planned["depth_cm"]) == {float(depth)}


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("soakd", "soaked"), ("soak", "soaked"), ("Soked", "soaked"), ("dirct", "direct"),
        ("pre-sprouted", "presprouted"), ("sprouted", "presprouted"),
    ],
)  # fmt: skip
def test_a_slip_is_refused_with_the_name_that_was_meant(
    tmp_path: Path, typed: str, meant: str
) -> None:
    done = design(tmp_path / "bed", "direct" if meant != "direct" else "soaked", typed)
    assert done.exit_code != 0
    assert f"did you mean {meant}?" in str(done.exception)
    assert not (tmp_path / "bed").exists()


def test_only_a_treatment_of_ones_own_is_noted(tmp_path: Path) -> None:
    out = tmp_path / "bed"
    named = ("direct", "Soaked", "presprouted", "soaked 6 h", "under fleece")
    done = design(out, *named, more=("--json",))
    assert done.exit_code == 0, done.exception
    notes = json.loads(done.stdout)["notes"]
    assert [note.split(" is a treatment")[0] for note in notes] == ["soaked 6 h", "under fleece"]
    assert all("no steps" in note for note in notes)
    with (out / "records.csv").open() as stream:
        rows = list(csv.DictReader(stream))
    assert {row["treatment"] for row in rows} == set(named)
    own = [row for row in rows if row["treatment"] in named[3:]]
    assert all(row["started"] == row["planted"] for row in own)
