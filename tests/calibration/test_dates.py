"""Field books that hold one date of emergence a sowing."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.calibration.growers import plain_crop
from thermosprout.calibration.dates import is_dates_file, read_dates
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
            "plot,planted,emergence_date\na,2016-03-20,2016-04-02\na,2016-03-21,2016-04-02\n",
            r"the plot 'a' is there twice",
        ),
    ],
)
def test_faults_are_named(tmp_path: Path, text: str, told: str) -> None:
    with pytest.raises(InputError, match=told):
        read_dates(write(tmp_path, text), CROP)
