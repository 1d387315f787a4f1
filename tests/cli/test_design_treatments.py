"""Names of treatments as they are typed into ``trial design``."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from thermosprout.cli.app import app


def design(out: Path, *treatments: str, more: tuple[str, ...] = ()) -> Any:
    words = [word for name in treatments for word in ("-t", name)]
    return CliRunner().invoke(
        app, ["trial", "design", *words, "--planting", "2026-09-20", "-o", str(out), *more]
    )


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


def test_a_treatment_of_ones_own_has_no_steps(tmp_path: Path) -> None:
    out = tmp_path / "bed"
    done = design(out, "direct", "soaked 6 h", "under fleece", more=("--json",))
    assert done.exit_code == 0, done.exception
    notes = json.loads(done.stdout)["notes"]
    assert [note.split(" is a treatment")[0] for note in notes] == ["soaked 6 h", "under fleece"]
    assert all("no steps" in note for note in notes)
    with (out / "records.csv").open() as stream:
        rows = list(csv.DictReader(stream))
    assert {row["treatment"] for row in rows} == {"direct", "soaked 6 h", "under fleece"}
    assert all(row["started"] == row["planted"] for row in rows)


def test_known_treatments_need_no_note(tmp_path: Path) -> None:
    done = design(tmp_path / "bed", "direct", "Soaked", "presprouted", more=("--json",))
    assert done.exit_code == 0, done.exception
    assert json.loads(done.stdout)["notes"] == []
