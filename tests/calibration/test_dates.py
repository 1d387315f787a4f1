"""Field books that hold one date of emergence a sowing."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.calibration.growers import plain_crop
from thermosprout.calibration.plots import is_dates_file, read_dates
from thermosprout.errors import InputError

CROP = plain_crop()


def write(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "book.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_dates_become_windows_in_local_time(tmp_path: Path) -> None:
    path = write(
        tmp_path,
        "planted,emergence_date,variety,depth_cm\n2016-03-20,2016-04-02,Red,1.5\n"
        "2016-04-04,2016-04-14,Red,\n",
    )
    assert is_dates_file(path)
    first, second = read_dates(path, CROP, timezone="Europe/Berlin")
    # Planted on winter time at noon, noted on summer time: the clock change takes an hour.
    assert first.noted_h is not None
    assert first.noted_h[1] - first.planted_h == 14 * 24 - 12 - 1
    assert first.noted_h[1] - first.noted_h[0] == 48.0
    assert (first.variety, first.depth_cm, second.depth_cm) == ("Red", 1.5, 2.0)
    assert (first.name, second.name) == ("line 2", "line 3")


def test_records_with_counts_are_no_file_of_dates(tmp_path: Path) -> None:
    path = write(tmp_path, "plot,planted,emergence_date,emerged\n")
    assert not is_dates_file(path)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("planted,emergence_date\n2016-04-20,2016-04-02\n", r"line 2, column emergence_date"),
        ("planted,emergence_date\n20 March,2016-04-02\n", r"line 2, column planted"),
        ("planted,emergence_date,depth_cm\n2016-03-20,2016-04-02,deep\n", r"found 'deep'"),
        ("planted,emergence_date\n", r"holds no sowing"),
        (
            (
                "plot,planted,emergence_date\nb,2016-03-20,2016-04-02\na,2016-03-21,2016-04-02\n"
                "\na,2016-03-20,2016-04-02\n"
            ),
            r"line 5, column plot: the plot 'a' is on line 3 already",
        ),
    ],
)
def test_faults_are_named(tmp_path: Path, text: str, told: str) -> None:
    with pytest.raises(InputError, match=told):
        read_dates(write(tmp_path, text), CROP)


def test_every_cell_of_a_sowing_has_its_place(tmp_path: Path) -> None:
    path = write(
        tmp_path,
        "plot , planted,emergence_date,variety,seed_lot,treatment,started,depth_cm\n"
        "A,2016-03-20T06:00Z,2016-04-02,Red,7,soaked,2016-03-19T10:00Z,100\n"
        "\n"
        "B,2016-04-02T12:00Z,2016-04-02,,,,,0\n",
    )
    crop = replace(CROP, practice=replace(CROP.practice, depth_cm=3.5))
    one, two = read_dates(path, crop)

    def hour(text: str) -> float:
        return float(np.datetime64(text, "h").astype(int))

    assert (one.name, one.variety, one.seed_lot, one.treatment) == ("A", "Red", "7", "soaked")
    assert (one.handling.treatment, one.handling.soak_h, one.handling.sprout_h) == (
        "soaked", 20.0, 0.0,
    )  # fmt: skip
    assert (one.planted_h, one.depth_cm) == (hour("2016-03-20T06"), 100.0)
    # Noted on a round: that day or the day before.
    assert one.noted_h == (hour("2016-04-01T00"), hour("2016-04-03T00"))
    assert (one.seeds, one.viability, one.constant_C, one.dish) == (0, 1.0, None, False)
    assert (two.variety, two.seed_lot, two.treatment) == (None, None, "direct")
    # A depth of nothing is none: the crop's; nothing comes up before it was planted.
    assert two.depth_cm == 3.5
    assert two.noted_h == (hour("2016-04-02T12"), hour("2016-04-03T00"))
    assert read_dates(path, CROP)[1].depth_cm == (CROP.practice.depth_cm or 2.0)
    for depth in ("-0.1", "100.1", "nan"):
        bad = write(tmp_path, f"planted,emergence_date,depth_cm\n2016-03-20,2016-04-02,{depth}\n")
        with pytest.raises(InputError, match="expected a number from 0 to 100"):
            read_dates(bad, CROP)
    bare = write(tmp_path, "planted,emergence_date\n2016-03-20,2016-04-02\n")
    assert is_dates_file(bare)
    assert not is_dates_file(write(tmp_path, "planted,emerged\n"))
