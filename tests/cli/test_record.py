"""``record`` as it is typed."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from thermosprout.cli.app import app, main
from thermosprout.trials.records.read import append_records, read_records

Run = Callable[..., tuple[int, str, str]]
FACTS = {
    "treatment": "direct", "started": "2026-05-01", "planted": "2026-05-01",
    "seeds_started": "50", "seeds_planted": "50", "block": "A",
}  # fmt: skip


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """Run the command line as a user does; returns exit code, output, errors."""

    def call(*words: object) -> tuple[int, str, str]:
        monkeypatch.setattr("sys.argv", ["thermosprout", *map(str, words)])
        code = 0
        try:
            main()
        except SystemExit as stop:
            code = int(stop.code or 0)
        out = capsys.readouterr()
        return code, out.out, out.err

    return call


@pytest.fixture
def trial(tmp_path: Path) -> Path:
    path = tmp_path / "trial.csv"
    append_records(path, [{"plot": f"A{i}", **FACTS} for i in (1, 2, 3)])
    return path


def test_counts_are_recorded_and_said(run: Run, trial: Path) -> None:
    code, out, _ = run("record", trial, "A1=5", "A2=3", "--on", "2026-05-08", "--observer", "Jo")
    assert (code, out) == (0, "2 lines recorded.\n")
    records = read_records(trial)
    assert records["emerged"].tolist() == [5, 3]
    assert records["observer"].tolist() == ["Jo", "Jo"]


def test_json_is_one_document(run: Run, trial: Path) -> None:
    code, out, _ = run("record", trial, "A1=5", "--on", "2026-05-08", "--json")
    document = json.loads(out)
    assert code == 0
    assert document["recorded"][0]["emerged"] == 5
    assert document["already_there"] == []


def test_a_correction_is_asked_for_then_said(run: Run, trial: Path) -> None:
    run("record", trial, "A1=5", "--on", "2026-05-08")
    code, out, err = run("record", trial, "A1=6", "--on", "2026-05-08")
    assert (code, out) == (2, "")
    assert "--correct" in err
    code, out, _ = run("record", trial, "A1=6", "--on", "2026-05-08", "--correct")
    assert code == 0
    assert "A1 on 2026-05-08: 5 -> 6" in out


def test_counts_from_a_file(run: Run, trial: Path, tmp_path: Path) -> None:
    counts = tmp_path / "counts.csv"
    counts.write_text("plot,inspected,emerged\nA1,2026-05-08,5\nA3,2026-05-08,2\n")
    assert run("record", trial, "--from", counts)[0] == 0
    assert read_records(trial)["emerged"].tolist() == [5, 2]
    assert run("record", trial, "A1=9", "--from", counts)[0] == 2


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
        (["A9=5", "--on", "2026-05-08"], "no plot 'A9'"),
        (["A1=5", "--on", "2626-05-08"], "year"),
        (["A1=5", "--on", "2126-05-08"], "lies ahead"),
        (["A1=5", "--on", "8.5.2026"], "like 2026-05-01"),
        (["A1=51", "--on", "2026-05-08"], "only 50"),
        (["A1=5", "--on", "2026-04-08"], "before planted"),
        (["A1=5", "A1=6", "--on", "2026-05-08"], "twice"),
        (["A1"], "expected a plot and its count"),
        ([], "nothing to record"),
        (["A1=5", "--harvest"], "names of plots"),
        (["--harvest"], "name the plots"),
        (["A1=5", "--on", "2026-05-08", "--timezone", "Mars/Base"], "time zone"),
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
    code, _, err = run("record", tmp_path / "none.csv", "A1=5", "--on", "2026-05-08")
    assert code == 2
    assert err.count("\n") == 1


def test_help_ends_with_an_example() -> None:
    from typer.testing import CliRunner

    out = CliRunner().invoke(app, ["record", "--help"]).output
    assert "Example: thermosprout record trial.csv" in " ".join(out.split())
