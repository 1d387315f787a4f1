"""Records: what is read, what is refused and where, what a correction does."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thermosprout.errors import InputError, ThermosproutError
from thermosprout.trials.records.read import (
    load,
    plots,
    read_records,
    records_timezone,
    timezone_of_rows,
)
from thermosprout.trials.records.values import REQUIRED, offset_of

Write = Callable[..., Path]

ENTERED = ("entered",)

FAULTS: dict[str, tuple[tuple[dict[str, object], ...], int, str, str]] = {
    "falling counts": (({}, {"inspected": "2026-05-09", "emerged": 3}), 3, "emerged", "falls"),
    "more than planted": (({"emerged": 51},), 2, "emerged", "only 50"),
    "inspected before planting": (({"inspected": "2026-04-30"},), 2, "inspected", "before planted"),
    "planted before started": (({"started": "2026-05-02"},), 2, "planted", "before started"),
    "doubled inspection": (({}, {"emerged": 5}), 3, "inspected", "line 2 already"),
    "day-first date": (({}, {"inspected": "09/05/2026"}), 3, "inspected", "year-month-day"),
    "month-first date": (({"planted": "5/1/2026"},), 2, "planted", "year-month-day"),
    "no such day": (({"inspected": "2026-02-30"},), 2, "inspected", "no day"),
    "time without offset": (({"inspected": "2026-05-08 07:00"},), 2, "inspected", "no offset"),
    "year that cannot be": (({"inspected": "0026-05-08"},), 2, "inspected", "year"),
    "stray text in a count": (({"emerged": "five"},), 2, "emerged", "whole number"),
    "decimal count": (({"emerged": "4.5"},), 2, "emerged", "whole number"),
    "negative count": (({"emerged": "-1"},), 2, "emerged", "whole number"),
    "count in other digits": (({"emerged": "٤"},), 2, "emerged", "whole number"),
    "formula in a label": (({"variety": "=1+1"},), 2, "variety", "formula"),
    "formula in a note": (({"note": "@SUM(A1)"},), 2, "note", "formula"),
    "count without a day": (({"inspected": ""},), 2, "inspected", "empty"),
    "day without a count": (({"emerged": ""},), 2, "emerged", "empty"),
    "no plot": (({"plot": ""},), 2, "plot", "empty"),
    "no treatment": (({"treatment": ""},), 2, "treatment", "empty"),
    "no planting": (({"planted": ""},), 2, "planted", "empty"),
    "more planted than started": (({"seeds_started": 40},), 2, "seeds_planted", "only 40"),
    "depth of a well": (({"depth_cm": 250},), 2, "depth_cm", "0 to 50"),
    "depth in words": (({"depth_cm": "deep"},), 2, "depth_cm", "decimal point"),
    "not a number": (({"depth_cm": "nan"},), 2, "depth_cm", "decimal point"),
    "facts that change": (
        ({}, {"inspected": "2026-05-09", "seeds_planted": 49}), 3, "seeds_planted", "line 2"),
    "treatment spelt in two ways": (
        ({}, {"plot": "A2", "treatment": "Direct"}), 3, "treatment", "line 2"),
    "plot that is not in the plan": (
        ({"inspected": "", "emerged": ""}, {"plot": "A9"}), 3, "plot", "no plot"),
    "harvest before planting": (({"first_harvest": "2026-04-01"},), 2, "first_harvest", "before"),
    "two first harvests": (
        ({"first_harvest": "2026-07-01"}, {"inspected": "2026-05-09", "emerged": 5,
         "first_harvest": "2026-07-02"}), 3, "first_harvest", "another"),
    "more stations than seedlings": (
        ({"stations_filled": 5},), 2, "stations_filled", "stations filled"),
    "stations that empty": (
        ({"stations_filled": 4}, {"inspected": "2026-05-09", "emerged": 5, "stations_filled": 3}),
        3, "stations_filled", "fall"),
    "entered as a day": (({"entered": "2026-05-08"},), 2, "entered", "date alone"),
}  # fmt: skip


@pytest.mark.parametrize("fault", FAULTS)
def test_every_fault_is_refused_with_its_place(write: Write, fault: str) -> None:
    rows, line, column, words = FAULTS[fault]
    path = write(*rows, extra=("note", "stations_filled", "first_harvest", "entered"))
    with pytest.raises(InputError, match=words) as caught:
        read_records(path)
    assert caught.value.place is not None
    assert (caught.value.place.line, caught.value.place.column) == (line, column)
    assert caught.value.exit_code == 2


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ("", None, "empty"),
        ("plot,block\nA1,1\n", 1, "missing"),
        ("plot,plot\n", 1, "twice"),
        ("plot,,x\n", 1, "no name"),
    ],
)
def test_a_broken_header_is_refused(
    tmp_path: Path, text: str, line: int | None, words: str
) -> None:
    path = tmp_path / "r.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=words) as caught:
        read_records(path)
    assert caught.value.place is not None
    assert caught.value.place.line == line


def test_a_cell_too_many_or_few_names_its_line(write: Write) -> None:
    path = write({}, {"inspected": "2026-05-09"})
    text = path.read_text()
    path.write_text(text + "A1,1,2\n")
    with pytest.raises(InputError, match="3 cells") as caught:
        read_records(path)
    assert caught.value.place is not None
    assert caught.value.place.line == 4


def test_a_column_nearly_known_is_asked_about(write: Write) -> None:
    path = write({"temprature_C": 20}, extra=("temprature_C",))
    with pytest.raises(InputError, match="did you mean temperature_C"):
        read_records(path)


def test_a_column_of_ones_own_is_not_read(write: Write) -> None:
    path = write({"weather": "rain"}, extra=("weather",))
    records = read_records(path)
    assert any("weather" in note for note in records.attrs["notes"])


def test_dates_are_noon_of_the_local_day(write: Write) -> None:
    path = write({"inspected": "2026-05-08T18:30+02:00"})
    records = read_records(path, timezone="Europe/Paris")
    assert records.loc[0, "planted"] == pd.Timestamp("2026-05-01T10:00")
    assert records.loc[0, "inspected"] == pd.Timestamp("2026-05-08T16:30")
    assert records.loc[0, "inspected_local"] == "2026-05-08T18:30+02:00"


@pytest.mark.parametrize(
    ("day", "hours"), [("2026-03-28", 23), ("2026-10-24", 25), ("2024-02-28", 24)]
)
def test_days_over_a_clock_change_have_their_own_length(write: Write, day: str, hours: int) -> None:
    following = (pd.Timestamp(day) + pd.Timedelta(days=1)).date().isoformat()
    path = write({"started": day, "planted": day, "inspected": following})
    row = read_records(path, timezone="Europe/Paris").iloc[0]
    assert row["inspected"] - row["planted"] == pd.Timedelta(hours=hours)


def test_an_inspection_on_the_planting_day_is_not_before_it(write: Write) -> None:
    path = write({"inspected": "2026-05-01T07:00+00:00", "emerged": 0})
    assert len(read_records(path)) == 1


def test_the_latest_entered_line_holds(write: Write) -> None:
    path = write(
        {"emerged": 4, "entered": "2026-05-08T19:00Z"},
        {"emerged": 14, "entered": "2026-05-08T20:00Z"},
        {"emerged": 9, "entered": "2026-05-08T19:30Z"},
        extra=ENTERED,
    )
    assert read_records(path)["emerged"].tolist() == [14]


def test_a_fact_is_corrected_by_a_line_of_the_plot(write: Write) -> None:
    path = write(
        {"inspected": "", "emerged": "", "entered": "2026-05-01T08:00Z"},
        {"entered": "2026-05-08T19:00Z"},
        {"inspected": "", "emerged": "", "planted": "2026-05-02", "started": "2026-05-02",
         "entered": "2026-05-09T08:00Z"},
        extra=ENTERED,
    )  # fmt: skip
    records = read_records(path)
    assert records["planted_local"].tolist() == ["2026-05-02"]


def test_plots_not_counted_yet_are_given_when_asked_for(write: Write) -> None:
    path = write({"inspected": "", "emerged": ""})
    assert read_records(path).empty
    table = plots(read_records(path, planned=True))
    assert table["inspections"].tolist() == [0]
    assert np.isnan(table["final"]).all()


def test_no_rows_are_no_fault(write: Write) -> None:
    assert read_records(write()).empty


@pytest.mark.parametrize("mark", [";", "\t"])
def test_other_separators_and_decimal_commas_are_read(write: Write, mark: str) -> None:
    path = write({"depth_cm": "2.5"})
    text = path.read_text().replace(",", mark).replace("2.5", "2,5")
    path.write_text("\ufeff" + text.replace("\n", "\r\n"), encoding="utf-8", newline="")
    assert read_records(path)["depth_cm"].tolist() == [2.5]


def test_a_leap_day_is_a_day(write: Write) -> None:
    path = write({"started": "2028-02-28", "planted": "2028-02-28", "inspected": "2028-02-29"})
    assert read_records(path)["inspected"].iloc[0] == pd.Timestamp("2028-02-29T12:00")
    with pytest.raises(InputError, match="no day"):
        read_records(write({"planted": "2027-02-29"}))


def test_a_time_zone_that_does_not_exist_is_named(write: Write) -> None:
    with pytest.raises(InputError, match="Europe/Atlantis"):
        read_records(write({}), timezone="Europe/Atlantis")


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=400))
def test_any_bytes_end_in_a_table_or_one_sentence(
    tmp_path_factory: pytest.TempPathFactory, junk: bytes
) -> None:
    path = tmp_path_factory.mktemp("junk") / "r.csv"
    path.write_bytes(",".join(REQUIRED).encode() + b"\n" + junk)
    said = ""
    try:
        load(path)
    except ThermosproutError as error:
        said = str(error)
    assert "\n" not in said


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_one_changed_cell_is_read_or_refused(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    cells = ["A1", "A", "", "", "direct", "2026-05-01", "2026-05-01", "50", "50", "2.5",
             "2026-05-08", "4"]  # fmt: skip
    index = data.draw(st.integers(0, len(cells) - 1))
    cells[index] = data.draw(st.text(max_size=12))
    path = tmp_path_factory.mktemp("cell") / "r.csv"
    head = (
        "plot,block,variety,seed_lot,treatment,started,planted,seeds_started,seeds_planted,"
        "depth_cm,inspected,emerged\n"
    )
    quoted = ",".join('"' + c.replace('"', '""') + '"' for c in cells)
    path.write_bytes((head + quoted + "\n").encode("utf-8", "surrogatepass"))
    try:
        records = read_records(path)
    except ThermosproutError as error:
        records, said = None, str(error)
    if records is None:
        assert "\n" not in said
    else:
        assert (records["emerged"] <= records["seeds_planted"]).all()
        assert (records["inspected"] >= records["planted"] - pd.Timedelta(hours=36)).all()


@settings(max_examples=50, deadline=None)
@given(st.permutations(range(6)))
def test_the_order_of_lines_does_not_matter(
    tmp_path_factory: pytest.TempPathFactory, order: list[int]
) -> None:
    lines = [
        f"A{p},A,,,direct,2026-05-01,2026-05-01,50,50,2.5,2026-05-{8 + d:02},{3 * d + p}"
        for p in (1, 2)
        for d in (0, 1, 2)
    ]
    head = (
        "plot,block,variety,seed_lot,treatment,started,planted,seeds_started,seeds_planted,"
        "depth_cm,inspected,emerged\n"
    )
    path = tmp_path_factory.mktemp("order") / "r.csv"
    path.write_text(head + "\n".join(lines[i] for i in order) + "\n")
    records = read_records(path).sort_values(["plot", "inspected"])
    assert records["emerged"].tolist() == [1, 4, 7, 2, 5, 8]


@pytest.mark.parametrize(
    ("text", "offset"),
    [
        ("2026-09-20T09:00+12:00", "+12:00"), ("2026-09-20 09:00:30.5-0930", "-0930"),
        ("2026-09-20T09:00Z", "+00:00"), ("2026-09-20T09:00", ""), ("2026-09-20", ""),
        ("noon", ""), ("", ""),
    ],
)  # fmt: skip
def test_offset_of_what_was_written(text: str, offset: str) -> None:
    assert offset_of(text) == offset


def test_the_latest_planting_that_carries_an_offset_gives_the_clock() -> None:
    rows = [
        {"planted": "2026-09-20T09:00+12:00"}, {"planted": "2026-10-04T09:00+13:00"},
        {"planted": "2026-11-01"}, {"plot": "A1"}, {"planted": "2026-09-28T09:00+12:00"},
    ]  # fmt: skip
    assert timezone_of_rows(rows) == "+13:00"
    assert timezone_of_rows(rows[2:4]) == timezone_of_rows([]) == "UTC"


def test_a_file_is_read_for_its_plantings_and_nothing_else(write: Write, tmp_path: Path) -> None:
    path = write({"planted": "2026-05-01T09:00+02:00", "emerged": "not yet"}, {"plot": "A2"})
    assert records_timezone(path) == "+02:00"
    assert records_timezone(write({}, {"plot": "A2"}, name="days.csv")) == "UTC"
    assert records_timezone(tmp_path / "absent.csv") == "UTC"
    bare = tmp_path / "bare.csv"
    bare.write_text("plot,note\nA1,2026-05-01T09:00+02:00\n")
    assert records_timezone(bare) == "UTC"
    spoilt = tmp_path / "spoilt.csv"
    spoilt.write_text('plot,planted\n"A1,2026-05-01T09:00+02:00\nA2,2026-05-01\n')
    assert records_timezone(spoilt) == "UTC"
