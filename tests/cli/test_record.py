"""``record`` for a trial: counts, corrections, counts handed in twice, and the clock of the bed.

Offsets of New Zealand (+12:00, +13:00 from the last Sunday of September) and of South Australia
(+09:30) as in the IANA time zone database.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from tests.cli.conftest import Run
from thermosprout.errors import InputError
from thermosprout.trials.records.append import append_records
from thermosprout.trials.records.read import read_records, records_timezone

FACTS = {"treatment": "direct", "seeds_started": "50", "seeds_planted": "50", "block": "A"}
ON = ("--on", "2026-05-08")


def begin(path: Path, *planted: str) -> Path:
    """Records of plots A1, A2, ... planted on these days."""
    append_records(
        path,
        [{"plot": f"A{number}", "started": day, "planted": day, **FACTS}
         for number, day in enumerate(planted, 1)],
    )  # fmt: skip
    return path


@pytest.fixture
def trial(tmp_path: Path) -> Path:
    return begin(tmp_path / "trial.csv", *["2026-05-01"] * 3)


def test_counts_are_recorded_and_said(run: Run, trial: Path) -> None:
    code, out, _ = run("record", trial, "A1=5", "A2=3", *ON, "--observer", "Jo")
    assert (code, out) == (0, "2 lines recorded.\n")
    records = read_records(trial)
    assert records["emerged"].tolist() == [5, 3]
    assert records["observer"].tolist() == ["Jo", "Jo"]
    document = json.loads(run("record", trial, "A3=5", *ON, "--json")[1])
    assert document["recorded"][0]["emerged"] == 5
    assert document["already_there"] == []


def test_a_correction_is_asked_for_then_said(run: Run, trial: Path) -> None:
    run("record", trial, "A1=5", *ON)
    code, out, err = run("record", trial, "A1=6", *ON)
    assert (code, out) == (2, "")
    assert "--correct" in err
    code, out, _ = run("record", trial, "A1=6", *ON, "--correct")
    assert code == 0
    assert "A1 on 2026-05-08: 5 -> 6" in out


def test_a_correction_of_a_day_without_a_count_is_told(run: Run, trial: Path) -> None:
    assert run("record", trial, "A1=5", "--on", "2026-05-10")[0] == 0
    correct = ("--on", "2026-05-11", "--correct")
    _, _, err = run("record", trial, "A1=6", *correct)
    assert "There was no count of A1 on 2026-05-11 to correct: recorded as a new one." in err
    assert "to correct" not in run("record", trial, "A1=7", *correct)[2]


def test_counts_from_a_file(run: Run, trial: Path, tmp_path: Path) -> None:
    counts = tmp_path / "counts.csv"
    counts.write_text("plot,inspected,emerged\nA1,2026-05-08,5\nA3,2026-05-08,2\n")
    assert run("record", trial, "--from", counts)[0] == 0
    assert read_records(trial)["emerged"].tolist() == [5, 2]
    assert run("record", trial, "A1=9", "--from", counts)[0] == 2


@pytest.mark.parametrize(
    ("plots", "days", "said"),
    [
        (1, 1, "1 count of A1."),
        (3, 15, "45 counts of A1, A2, A3."),
        (30, 2, "60 counts of A1, A2,"),
    ],
)
def test_counts_handed_in_twice_are_told_in_one_line(
    run: Run, tmp_path: Path, plots: int, days: int, said: str
) -> None:
    records, counts = begin(tmp_path / "t.csv", *["2026-05-01"] * plots), tmp_path / "counts.csv"
    names = [f"A{number}" for number in range(1, plots + 1)]
    lines = [f"{name},2026-05-{day:02d},3" for day in range(8, 8 + days) for name in names]
    counts.write_text("\n".join(["plot,inspected,emerged", *lines]) + "\n")
    assert run("record", records, "--from", counts)[0] == 0
    before = records.read_bytes()
    code, out, err = run("record", records, "--from", counts)
    assert (code, out) == (0, "0 lines recorded.\n")
    assert f"There already, not written again: {said}" in err
    assert err.count("A1,") <= 1
    assert err.rstrip().endswith("and 6 more plots." if plots == 30 else ".")
    assert records.read_bytes() == before
    assert len(read_records(records)) == plots * days
    _, out, _ = run("record", records, "--from", counts, "--json")
    assert json.loads(out)["already_there"] == names * days


def test_harvest_and_real_planting_day(run: Run, trial: Path) -> None:
    assert run("record", trial, "A1", "--planted", "2026-05-02", "--started", "2026-05-02")[0] == 0
    assert run("record", trial, "A1=5", "--on", "2026-05-09")[0] == 0
    assert run("record", trial, "A1", "--harvest", "--on", "2026-07-04")[0] == 0
    row = read_records(trial).iloc[0]
    assert row["planted_local"] == "2026-05-02"
    assert str(row["first_harvest"])[:10] == "2026-07-04"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["A9=5", *ON], "no plot 'A9'"),
        (["A1=5", "--on", "2626-05-08"], "year"),
        (["A1=5", "--on", "2126-05-08"], "lies ahead"),
        (["A1=5", "--on", "8.5.2026"], "like 2026-05-01"),
        (["A1=51", *ON], "only 50"),
        (["A1=5", "--on", "2026-04-08"], "before planted"),
        (["A1=5", "A1=6", *ON], "twice"),
        (["A1"], "expected a plot and its count"),
        ([], "nothing to record"),
        (["A1=5", "--harvest"], "names of plots"),
        (["--harvest"], "name the plots"),
        (["A1=5", *ON, "--timezone", "Mars/Base"], "time zone"),
    ],
)
def test_what_is_wrong_is_one_sentence_and_nothing_is_written(
    run: Run, trial: Path, words: list[str], said: str
) -> None:
    before = trial.read_bytes()
    code, out, err = run("record", trial, *words)
    assert (code, out) == (2, "")
    assert said in err
    assert err.count("\n") == 1
    assert "Traceback" not in err
    assert read_records(trial).empty
    assert trial.read_bytes().startswith(before.splitlines()[0][:20])


def test_a_file_that_is_not_there(run: Run, tmp_path: Path) -> None:
    code, _, err = run("record", tmp_path / "none.csv", "A1=5", *ON)
    assert code == 2
    assert err.count("\n") == 1


@pytest.mark.parametrize(
    ("plot", "count", "said"),
    [
        ("A1", "40", ("line 5", "nothing was recorded", "plot A1 falls from 40 (new) to 5")),
        ("A9", "4", ("the first count of a season's row needs --season",)),
        ("a2", "4", ("did you mean A2?",)),
    ],
)
def test_a_count_that_cannot_stand_there_is_refused(
    run: Run, trial: Path, plot: str, count: str, said: tuple[str, ...]
) -> None:
    assert run("record", trial, "A1=5", "--on", "2026-05-10")[0] == 0
    before = trial.read_text()
    with pytest.raises(InputError) as caught:
        append_records(trial, [{"plot": plot, "inspected": "2026-05-08", "emerged": count}])
    assert all(words in str(caught.value) for words in said)
    assert trial.read_text() == before


@pytest.mark.parametrize(
    ("planted", "noon"),
    [
        ("2026-09-20T09:00+12:00", "2026-10-26T00:00"),
        ("2026-09-20T09:00+0930", "2026-10-26T02:30"),
        ("2026-09-20T09:00-06:00", "2026-10-26T18:00"),
        ("2026-09-20T09:00Z", "2026-10-26T12:00"),
        ("2026-09-20", "2026-10-26T12:00"),
    ],
)
def test_a_count_lies_at_noon_of_the_plots_own_day(
    run: Run, tmp_path: Path, planted: str, noon: str
) -> None:
    path = begin(tmp_path / "t.csv", planted)
    assert run("record", path, "A1=5", "--on", "2026-10-26")[0] == 0
    records = read_records(path, timezone=records_timezone(path))
    assert records["inspected"].tolist() == [pd.Timestamp(noon)]
    assert records["inspected_local"].tolist() == ["2026-10-26"]


def test_today_is_the_day_of_the_bed(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Morning(datetime):
        """Half past eight in the evening of the 25th by UTC: the morning of the 26th there."""

        @classmethod
        def now(cls, tz: Any = None) -> datetime:
            return datetime(2026, 10, 25, 20, 30, tzinfo=UTC).astimezone(tz)

    path = begin(tmp_path / "t.csv", "2026-09-20T09:00+12:00")
    plain = begin(tmp_path / "plain.csv", "2026-09-20")
    with monkeypatch.context() as then:
        then.setattr("thermosprout.cli.record.datetime", Morning)
        assert run("record", path, "A1=5")[0] == 0
        assert run("record", plain, "A1=5")[0] == 0
        assert run("record", plain, "A1=6", "--timezone", "Pacific/Auckland")[0] == 0
    assert read_records(path)["inspected_local"].tolist() == ["2026-10-26"]
    assert read_records(plain)["inspected_local"].tolist() == ["2026-10-25", "2026-10-26"]


def test_the_latest_planting_tells_the_offset(run: Run, tmp_path: Path) -> None:
    path = begin(tmp_path / "t.csv", "2026-10-04T09:00+13:00", "2026-09-20T09:00+12:00")
    assert records_timezone(path) == "+13:00"
    on = ("--on", "2026-10-10", "--timezone", "Mars/Base")
    assert run("record", path, "A1=0", *on)[0] != 0
    # A count on the 4th lies before a planting that is the 5th on the clock asked for.
    late = begin(tmp_path / "late.csv", "2026-10-04T23:00+13:00")
    assert records_timezone(late) == "+13:00"
    assert run("record", late, "A1=0", "--on", "2026-10-04")[0] == 0
    ahead = ("--on", "2026-10-04", "--timezone", "Pacific/Kiritimati")
    again = begin(tmp_path / "again.csv", "2026-10-04T23:30+13:00")
    assert "before planted" in run("record", again, "A1=0", *ahead)[2]


def test_every_reader_of_the_records_keeps_the_same_clock(run: Run, tmp_path: Path) -> None:
    """A count on the planting day is refused or taken by the day of the bed, not by UTC."""
    path = begin(tmp_path / "t.csv", "2026-09-20T23:00-06:00")
    # 23:00 on the 20th is the 21st by UTC; the bed's own 20th is not before it.
    assert run("record", path, "A1=0", "--on", "2026-09-20")[0] == 0
    for command in ("check", "export"):
        code, _, err = run("trial", command, path)
        assert code == 0, err


def test_a_file_at_fault_is_told_by_its_reader(run: Run, tmp_path: Path) -> None:
    broken = tmp_path / "t.csv"
    broken.write_text('plot,planted\nA1,"2026\n')
    assert records_timezone(broken) == "UTC"
    assert records_timezone(tmp_path / "none.csv") == "UTC"
    assert run("trial", "check", broken)[0] != 0
