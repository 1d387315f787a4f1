"""Counts of a season hold rows of several crops; only those of the crop asked for calibrate it."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from thermosprout.calibration.plots import mixed_lots_note, of_crop
from thermosprout.crops.catalogue import find_crop
from thermosprout.errors import InputError
from thermosprout.season.load import load_season

SEASON = """format = 1
[site]
name = "Invented"
latitude = 45.7
longitude = 4.85
timezone = "Europe/Paris"
[soil]
file = "soil.csv"
[[lots]]
id = "BEAN"
crop = "haricot"
[[rows]]
id = "C1"
crop = "carrot"
planted = 2026-04-01
[[rows]]
id = "B1"
lot = "BEAN"
planted = 2026-04-20
"""


def _records(*plots: str) -> pd.DataFrame:
    lots = {"C1": "CAR1", "B1": "BEAN"}
    return pd.DataFrame({"plot": list(plots), "seed_lot": [lots.get(p, "") for p in plots]})


def test_rows_of_other_crops_are_left_out_and_told(tmp_path: Path) -> None:
    path = tmp_path / "season.toml"
    path.write_text(SEASON)
    kept, notes = of_crop(_records("C1", "B1", "C1"), find_crop("snap bean"), load_season(path))
    assert list(kept["plot"]) == ["B1"]
    assert notes == ("Left out, of another crop by season.toml: C1 (carrot).",)
    same, none = of_crop(_records("B1", "T9"), find_crop("snap bean"), load_season(path))
    assert list(same["plot"]) == ["B1", "T9"]
    assert none == ()


def test_records_without_the_crop_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "season.toml"
    path.write_text(SEASON)
    with pytest.raises(
        InputError, match=r"no plot of the records is leek .* they are carrot, snap"
    ):
        of_crop(_records("C1", "B1"), find_crop("leek"), load_season(path))


def test_several_lots_are_told() -> None:
    note = mixed_lots_note(_records("C1", "B1"), find_crop("snap bean"))
    assert note is not None
    assert "BEAN, CAR1" in note
    assert mixed_lots_note(_records("B1", "B1"), find_crop("snap bean")) is None
