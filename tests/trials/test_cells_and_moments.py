"""Cells, moments, tables and unfinished lines of a records file, at their edges."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime
from itertools import permutations
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from thermosprout.errors import InputError, Place
from thermosprout.trials.records.append import append_records
from thermosprout.trials.records.file import (
    Mark,
    append_text,
    clear_mark,
    format_line,
    format_table,
    identity,
    lock_path,
    locked,
    parse_table,
    read_mark,
    read_settled,
    set_torn_aside,
    write_mark,
)
from thermosprout.trials.records.notebook import filed_counts
from thermosprout.trials.records.read import plots, read_records
from thermosprout.trials.records.values import (
    is_formula,
    neutral,
    read_decimal,
    read_label,
    read_moment,
    read_whole,
    zone,
)

Write = Callable[..., Path]
HERE = Place(file=Path("x.csv"), line=2, column="emerged")
PARIS = ZoneInfo("Europe/Paris")


def test_whole_numbers_have_up_to_nine_digits() -> None:
    assert read_whole("0", HERE) == 0
    assert read_whole("999999999", HERE) == 999_999_999
    for text in ("", "1234567890", "-1", "+1", "1.0", "1 2", "\u0661"):
        with pytest.raises(InputError, match="expected a whole number, 0 or more"):
            read_whole(text, HERE)
    long = "x" * 41
    with pytest.raises(InputError, match="found '" + "x" * 37 + r"\.\.\.', expected"):
        read_whole(long, HERE)
    with pytest.raises(InputError, match="found '" + "x" * 40 + "', expected"):
        read_whole("x" * 40, HERE)


def test_decimals_lie_within_their_bounds_ends_included() -> None:
    for text, value in (("0", 0.0), (".5", 0.5), ("50", 50.0), ("2.", 2.0), ("+3.25", 3.25)):
        assert read_decimal(text, HERE, low=0.0, high=50.0, unit="cm") == value
    for text in ("50.1", "-0.1"):
        with pytest.raises(InputError, match=f"found {text}, expected 0 to 50 cm"):
            read_decimal(text, HERE, low=0.0, high=50.0, unit="cm")
    for text in ("1,5", "1e3", "nan", "", ".", "1_0"):
        with pytest.raises(InputError, match="expected a number with a decimal point"):
            read_decimal(text, HERE, low=0.0, high=50.0, unit="cm")


def test_labels_are_printable_not_too_long_and_no_formulas() -> None:
    assert read_label("Ö 3 (spät)", HERE) == "Ö 3 (spät)"
    assert read_label("a" * 2000, HERE) == "a" * 2000
    assert read_label("نیم\u200cفاصله", HERE)
    with pytest.raises(InputError, match="the cell holds 2001 signs, at most 2000"):
        read_label("a" * 2001, HERE)
    with pytest.raises(InputError, match="holds a control sign"):
        read_label("a\u202eb", HERE)
    for text in ("=1", " +x", "-a", "@b"):
        assert is_formula(text)
        assert neutral(text) == f"'{text}"
        with pytest.raises(InputError, match="a spreadsheet would run as a formula"):
            read_label(text, HERE)
    assert neutral("a\tb\x1fc d!") == "a b c d!"
    assert not is_formula("a=1")


def test_a_moment_is_noon_of_a_day_or_an_instant() -> None:
    day = read_moment("2026-07-03", PARIS)
    assert (day.utc, day.day, day.day_only) == (
        datetime(2026, 7, 3, 10), date(2026, 7, 3), True,
    )  # fmt: skip
    late = read_moment("2026-07-03T23:30Z", PARIS)
    assert (late.utc, late.day, late.day_only) == (
        datetime(2026, 7, 3, 23, 30), date(2026, 7, 4), False,
    )  # fmt: skip
    assert day.before(late)
    assert not late.before(day)
    assert not day.before(day)
    morning = read_moment("2026-07-03T06:00+02:00", PARIS)
    assert not morning.before(day)
    assert morning.before(late)
    assert not late.before(morning)
    assert not morning.before(morning)


def test_years_that_cannot_be_right() -> None:
    for good in ("1900-01-02", "2199-12-30"):
        assert read_moment(good, PARIS).text == good
    for bad in ("1899-12-30", "2200-01-02"):
        with pytest.raises(InputError, match=r"the year of .* cannot be right"):
            read_moment(bad, PARIS, HERE)
    with pytest.raises(InputError, match="is no day or time that exists"):
        read_moment("2026-02-29", PARIS)
    with pytest.raises(InputError, match="has no offset from UTC"):
        read_moment("2026-02-28T10:00", PARIS)
    with pytest.raises(InputError, match="no time zone 'Mars/Base'"):
        zone("Mars/Base")


def test_a_table_knows_its_lines_and_where_it_ends() -> None:
    text = "plot;emerged\r\nA1;3\r\n\r\n ;\r\nA2;4\r\n"
    table = parse_table(Path("x.csv"), text)
    assert (table.delimiter, table.newline, table.last) == (";", "\r\n", 5)
    assert [(line.number, line.cells) for line in table.lines] == [(2, ("A1", "3")),
                                                                   (5, ("A2", "4"))]  # fmt: skip
    only = parse_table(Path("x.csv"), text, plots={"A2"})
    assert [line.cells for line in only.lines] == [("A2", "4")]
    assert only.last == 5
    # Without a column of plots nothing is left out.
    other = parse_table(Path("x.csv"), "row,emerged\nA1,3\nA2,4\n", plots={"A2"})
    assert len(other.lines) == 2
    for broken, words, line in (
        ("a,b\n1,2,3\n", "3 cells, but the header names 2", 2),
        ('a,b\n1,"2\n3"\n4,5\n', "runs over the end of the line", 2),
        ("a,b\n1,2\n3,\"4\n", "cannot be split into cells: a quote is left open", 3),
        ("a,\n", "column 2 has no name", 1),
        ("a,b,a\n", "the column a is there twice", 1),
    ):  # fmt: skip
        with pytest.raises(InputError, match=words) as caught:
            parse_table(Path("x.csv"), broken)
        assert caught.value.place is not None
        assert caught.value.place.line == line
    with pytest.raises(InputError, match="the file is empty"):
        parse_table(Path("x.csv"), "\n\n")


def test_written_lines_end_in_a_quote() -> None:
    assert format_line(["a", "b,c", 'd"e'], ",", "\r\n") == 'a,"b,c","d""e"\r\n'
    assert format_line(["a"], ";", "\n") == '"a"\n'
    assert format_table(["x", "y"], [["1", "2"], ["3", ""]]) == 'x,y\n1,"2"\n3,""\n'


@pytest.mark.parametrize(
    ("line", "whole"),
    [(b'a,"b"', True), (b"a,b", True), (b"a,", False), (b'a,"b', False), (b"a", False),
     (b'"a,x","b"', True), (b'a,"b"",', False), (b"a,b,c", False), (b"a,b ", True),
     (b"a, ", False)],
)  # fmt: skip
def test_a_last_line_that_can_be_complete(tmp_path: Path, line: bytes, whole: bool) -> None:
    """Typed while an append was under way; a line cut short is left out."""
    path, header = tmp_path / "r.csv", b"plot,emerged\n"
    path.write_bytes(header + line)
    with locked(path) as lock:
        write_mark(lock, len(header))
    assert read_settled(path) == ((header + line * whole).decode(), (line * (not whole)).decode())


def test_the_settled_part_ends_before_an_unfinished_line(tmp_path: Path) -> None:
    path = tmp_path / "r.csv"
    head, done = b"plot,emerged\n", b'A1,"3"\n'
    for text, settled in (
        (head + done, len(head + done)),
        (head + done + b'A2,"', len(head + done)),
        (head + done + b'A2,"4"', len(head + done) + 6),
        (head + b'A1,"', len(head)),
    ):
        path.write_bytes(text)
        with locked(path) as lock:
            write_mark(lock, len(head))
        assert read_settled(path)[0].encode() == text[:settled]


def test_what_is_unfinished_is_set_aside_once(tmp_path: Path) -> None:
    path = tmp_path / "r.csv"
    path.write_bytes(b'plot,emerged\nA1,"3"\nA2,"')
    with locked(path) as lock:
        assert set_torn_aside(path, lock) == ""
        write_mark(lock, 20)
        assert read_mark(path) == Mark(20, b"")
        assert set_torn_aside(path, lock) == 'A2,"'
        assert read_mark(path) is None
        assert set_torn_aside(path, lock) == ""
        append_text(path, 'A3,"5"\n', lock, identity(path))
        assert read_mark(path) is None
    assert path.read_bytes() == b'plot,emerged\nA1,"3"\nA3,"5"\n'
    assert (tmp_path / "r.csv.unfinished").read_bytes() == b'A2,"\n'
    bare = tmp_path / "bare.csv"
    bare.write_bytes(b"plot,emerged\nA1,3")
    with locked(bare) as lock:
        append_text(bare, 'A2,"4"\n', lock, identity(bare))
        write_mark(lock, 7)
        clear_mark(lock)
    assert bare.read_bytes() == b'plot,emerged\nA1,3\nA2,"4"\n'
    lock_path(bare).write_text("123\n")
    assert read_mark(bare) is None


def test_a_held_lock_is_waited_for_then_told(tmp_path: Path) -> None:
    path = tmp_path / "r.csv"
    with (
        locked(path),
        pytest.raises(InputError, match="another program is writing to this file"),
        locked(path, wait_s=0.05),
    ):
        pytest.fail("two hold the lock")
    with locked(path, wait_s=0.0):
        assert lock_path(path).exists()


def test_counts_of_a_file_keep_what_belongs_to_them(tmp_path: Path) -> None:
    path = tmp_path / "c.csv"
    path.write_text(
        "plot,emerged,inspected,note\nA1,3,2026-05-08,\nA2,,,\nA3,0,2026-05-09,late\n",
        encoding="utf-8",
    )
    assert filed_counts(path) == [
        {"plot": "A1", "emerged": "3", "inspected": "2026-05-08"},
        {"plot": "A3", "emerged": "0", "inspected": "2026-05-09", "note": "late"},
    ]
    path.write_text("plot,emerged\nA1,3\n", encoding="utf-8")
    assert filed_counts(path, "2026-05-08") == [
        {"plot": "A1", "emerged": "3", "inspected": "2026-05-08"}
    ]
    for text, words in (
        ("plot,emerged,inspected\nA1,,2026-05-08\n", "the count is missing"),
        ("plot,emerged,inspected\nA1,3,\n", "the day is missing"),
        ("plot,emerged,inspected\n,3,2026-05-08\n", "the plot is missing"),
        ("plot,emerged,inspected\nA1,,\n", "the file holds no count"),
    ):
        path.write_text(text, encoding="utf-8")
        with pytest.raises(InputError, match=words):
            filed_counts(path)


def test_faults_name_new_plots_and_old_lines(write: Write) -> None:
    path = write({}, {"plot": "B1"})
    with pytest.raises(InputError) as caught:
        append_records(
            path, [{"plot": "B1", "inspected": "2026-05-09", "emerged": "99"}]
        )  # fmt: skip
    assert caught.value.what.startswith("nothing was recorded; plot B1, emerged: 99 emerged, but")
    assert caught.value.place is not None
    assert caught.value.place.line is None
    broken = write({}, {"plot": "B1", "emerged": 99})
    with pytest.raises(InputError) as caught:
        append_records(broken, [{"plot": "B1", "inspected": "2026-05-09", "emerged": "9"}])
    assert caught.value.place is not None
    assert caught.value.place.line == 3


def test_counts_harvests_and_stations_follow_each_other(write: Write) -> None:
    def fault(*rows: dict[str, object], extra: tuple[str, ...] = ()) -> str:
        with pytest.raises(InputError) as caught:
            read_records(write(*rows, extra=extra), timezone="UTC")
        return caught.value.what

    day = {"inspected": "2026-05-09"}
    assert "falls from 4 (line 2) to 3" in fault({}, day | {"emerged": 3})
    same = read_records(write({}, day | {"emerged": 4}), timezone="UTC")
    assert len(same) == 2
    extra = ("stations_filled", "entered", "first_harvest")
    assert "stations filled fall from 4 (line 2) to 3" in fault(
        {"stations_filled": 4}, day | {"stations_filled": 3}, extra=extra
    )
    read_records(write({"stations_filled": 4}, day | {"stations_filled": 4}, extra=extra),
                 timezone="UTC")  # fmt: skip
    assert "inspected 2026-05-08 on line 2 already" in fault({}, {"emerged": 5})
    assert "another first harvest on line 2" in fault(
        {"first_harvest": "2026-07-01"}, day | {"first_harvest": "2026-07-02"}, extra=extra
    )
    early, late = "2026-07-03T10:00Z", "2026-07-04T10:00Z"
    for one, two, kept in ((early, late, "02"), (late, early, "01")):
        records = read_records(
            write(
                {"first_harvest": "2026-07-01", "entered": one},
                day | {"first_harvest": "2026-07-02", "entered": two}, extra=extra,
            ),
            timezone="UTC",
        )  # fmt: skip
        assert str(plots(records)["first_harvest"].iloc[0])[:10] == f"2026-07-{kept}"
    assert "the first harvest is before the planting" in fault(
        {"first_harvest": "2026-04-30"}, extra=extra
    )
    assert "inspected 2026-04-30 is before planted 2026-05-01" in fault({"inspected": "2026-04-30"})
    assert "51 emerged, but only 50 seeds were planted" in fault({"emerged": 51})
    assert len(read_records(write({"emerged": 50}), timezone="UTC")) == 1
    assert "51 seeds planted, but only 50 were started" in fault({"seeds_planted": 51})
    assert "planted 2026-05-01 is before started 2026-05-02" in fault({"started": "2026-05-02"})
    assert "has depth_cm 3.0, but 2.5 on line 2" in fault({}, day | {"depth_cm": 3.0})
    assert "a date alone does not say which line" in fault({"entered": "2026-07-03"}, extra=extra)


@pytest.mark.parametrize(
    ("column", "good", "bad", "bounds"),
    [
        ("depth_cm", ("0", "50"), ("50.1", "-0.1"), "0 to 50 cm"),
        ("temperature_C", ("-20", "60"), ("-20.5", "60.5"), "-20 to 60 °C"),
    ],
)
def test_depth_and_temperature_of_a_line_have_their_bounds(
    write: Write, column: str, good: tuple[str, ...], bad: tuple[str, ...], bounds: str
) -> None:
    extra = () if column == "depth_cm" else (column,)
    for text in good:
        assert read_records(write({column: text}, extra=extra))[column].tolist() == [float(text)]
    for text in bad:
        with pytest.raises(InputError, match=f"found {text}, expected {bounds}") as caught:
            read_records(write({column: text}, extra=extra))
        assert f"line 2, column {column}" in str(caught.value)


def test_a_line_of_a_later_layout_is_refused(write: Write) -> None:
    assert len(read_records(write({"format": "1"}, extra=("format",)))) == 1
    with pytest.raises(InputError, match="this record has format 2, this version reads format 1"):
        read_records(write({"format": "1"}, {"plot": "A2", "format": "2"}, extra=("format",)))


def test_the_harvest_entered_last_holds_in_any_order(
    write: Write,
) -> None:
    """The same day entered earlier once more takes nothing from the later entry."""
    stamps = (("01", "T10:00Z"), ("01", "T05:00Z"), ("02", "T07:00Z"))
    lines = [
        {"inspected": f"2026-05-{8 + n:02d}", "emerged": 4, "first_harvest": f"2026-07-{day}",
         "entered": f"2026-07-03{clock}"}
        for n, (day, clock) in enumerate(stamps)
    ]  # fmt: skip
    for order in permutations(lines):
        path = write(*order, extra=("entered", "first_harvest"))
        table = plots(read_records(path))
        assert str(table["first_harvest"].iloc[0])[:10] == "2026-07-01"
