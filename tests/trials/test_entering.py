"""New lines: checked at the door, durable, safe against kills and second writers."""

from __future__ import annotations

import errno
import os
import random
import subprocess
import sys
import threading
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.trials.append_worker import row
from thermosprout.errors import InputError
from thermosprout.trials.records import file as store
from thermosprout.trials.records.append import append_records
from thermosprout.trials.records.file import lock_path, locked, parse_table, write_mark
from thermosprout.trials.records.read import load, read_records, to_frame

Write = Callable[..., Path]
WORKER = Path(__file__).with_name("append_worker.py")


def planned(path: Path, plots: int) -> Path:
    """Begin a records file with plots that have not been counted."""
    facts = {"treatment": "direct", "started": "1999-01-01", "planted": "1999-01-01",
             "seeds_started": "100000", "seeds_planted": "100000"}  # fmt: skip
    append_records(path, [{"plot": f"P{i}", **facts} for i in range(plots)])
    return path


def acknowledged(out: bytes) -> set[int]:
    """Numbers said on whole lines."""
    return {int(line) for line in out.split(b"\n")[:-1]}


def recorded(path: Path) -> dict[tuple[str, str], int]:
    """Counts in the file."""
    records = read_records(path)
    keys = zip(records["plot"], records["inspected_local"], strict=True)
    return dict(zip(keys, records["emerged"], strict=True))


def key_of(number: int, plots: int) -> tuple[tuple[str, str], int]:
    cells = row(number, plots)
    return (cells["plot"], cells["inspected"]), int(cells["emerged"])


def kill_again_and_again(
    path: Path, total: int, kills: int, plots: int, seed: int, batch: int = 1
) -> int:
    """Run the worker through to the end, killing it at random instants; returns kills made."""
    rng = random.Random(seed)
    done: set[int] = set()
    killed = 0
    while len(done) < total:
        first = max(done, default=-1) + 1
        numbers = (first, total, plots, batch)
        command = [sys.executable, str(WORKER), str(path), *map(str, numbers)]
        process = subprocess.Popen(command, stdout=subprocess.PIPE)
        assert process.stdout is not None
        said = b""
        stop_after = (
            first + max(1, int(rng.expovariate(1.5 * kills / total))) if killed < kills else total
        )
        for line in process.stdout:
            said += line
            if int(line) >= stop_after and killed < kills:
                # A random part of one append later, so that kills fall inside it too.
                threading.Event().wait(rng.random() * 0.012)
                process.kill()
                killed += 1
                break
        said += process.stdout.read()
        process.stdout.close()
        process.wait()
        done |= acknowledged(said)
        held = recorded(path)  # readable after every kill
        for number in done:
            key, count = key_of(number, plots)
            assert held[key] == count, f"count {number} was confirmed and is not there"
        # A line that was written and not confirmed may be there; it is gone through again.
    return killed


def test_kills_lose_nothing_that_was_confirmed(tmp_path: Path) -> None:
    path = planned(tmp_path / "trial.csv", 4)
    assert kill_again_and_again(path, total=120, kills=4, plots=4, seed=1) == 4


@pytest.mark.slow
def test_ten_thousand_records_and_fifty_kills(tmp_path: Path) -> None:
    path = planned(tmp_path / "trial.csv", 20)
    assert kill_again_and_again(path, total=10_000, kills=50, plots=20, seed=2, batch=25) == 50
    assert len(recorded(path)) == 10_000


def test_two_writers_at_once_lose_no_line(tmp_path: Path) -> None:
    path = planned(tmp_path / "trial.csv", 4)
    commands = [
        [sys.executable, str(WORKER), str(path), str(first), str(first + 60), "4"]
        for first in (0, 60)
    ]
    running = [
        subprocess.Popen(c, stdout=subprocess.PIPE, stderr=subprocess.PIPE) for c in commands
    ]
    said = [process.communicate() for process in running]
    # A later day may be refused where it would fall below one that is there; none is lost.
    held = recorded(path)
    for out, _ in said:
        for number in acknowledged(out):
            key, count = key_of(number, 4)
            assert held[key] == count
    assert sum(len(acknowledged(out)) for out, _ in said) >= 60


@pytest.mark.parametrize("cut", range(1, 90, 7))
def test_a_line_cut_anywhere_is_left_out_and_set_aside(tmp_path: Path, cut: int) -> None:
    path = planned(tmp_path / "trial.csv", 2)
    append_records(path, [{"plot": "P0", "inspected": "2026-05-08", "emerged": "3"}])
    whole = path.read_bytes()
    append_records(path, [{"plot": "P1", "inspected": "2026-05-08", "emerged": "27"}])
    line = path.read_bytes()[len(whole) :]
    cut = min(cut, len(line) - 2)
    path.write_bytes(whole + line[:cut])
    lock_path(path).write_text(f"{len(whole):020d}\n")  # as a killed writer leaves it
    assert recorded(path) == {("P0", "2026-05-08"): 3}
    assert any("cut short" in note for note in read_records(path).attrs["notes"])
    done = append_records(path, [{"plot": "P1", "inspected": "2026-05-08", "emerged": "27"}])
    assert done.set_aside == line[:cut].decode()
    assert path.with_name("trial.csv.unfinished").read_bytes() == line[:cut] + b"\n"
    assert recorded(path) == {("P0", "2026-05-08"): 3, ("P1", "2026-05-08"): 27}


def test_a_line_cut_inside_a_letter_is_left_out(tmp_path: Path) -> None:
    path = planned(tmp_path / "trial.csv", 1)
    whole = path.read_bytes()
    append_records(
        path, [{"plot": "P0", "inspected": "2026-05-08", "emerged": "3", "note": "frühé"}]
    )
    raw = path.read_bytes()
    # The column for the note came with the append, so the mark is where the line begins.
    start = raw.rstrip(b"\n").rfind(b"\n") + 1
    cut = raw.find("ü".encode()) + 1
    path.write_bytes(raw[:cut])
    lock_path(path).write_text(f"{start:020d}\n")
    assert read_records(path).empty
    assert len(whole) < cut


def test_a_hand_typed_last_line_without_its_end_is_kept(write: Write) -> None:
    path = write({})
    path.write_text(path.read_text().rstrip("\n"))
    lock_path(path).write_text(f"{10:020d}\n")  # an old mark means nothing to a whole line
    append_records(path, [{"plot": "A1", "inspected": "2026-05-09", "emerged": "6"}])
    assert read_records(path)["emerged"].tolist() == [4, 6]


def test_a_spoilt_last_line_without_a_mark_is_refused(write: Write) -> None:
    path = write({})
    path.write_text(path.read_text() + "A1,A,,,dir")
    with pytest.raises(InputError, match="5 cells"):
        read_records(path)


def test_all_or_none_of_a_batch_is_written(write: Write) -> None:
    path = write({})
    before = path.read_bytes()
    rows = [
        {"plot": "A1", "inspected": "2026-05-09", "emerged": "6"},
        {"plot": "A1", "inspected": "2026-05-10", "emerged": "5"},
    ]
    with pytest.raises(InputError, match=r"nothing was recorded; plot A1.*falls from 6"):
        append_records(path, rows)
    assert read_records(path)["emerged"].tolist() == [4]
    assert before.splitlines()[1] in path.read_bytes()


def test_the_same_count_again_is_not_written_again(write: Write) -> None:
    path = write({})
    row = {"plot": "A1", "inspected": "2026-05-09", "emerged": "6"}
    append_records(path, [row])
    size = path.stat().st_size
    assert append_records(path, [row]).already == ("A1",)
    assert path.stat().st_size == size


def test_another_count_needs_the_word_that_it_corrects(write: Write) -> None:
    path = write({})
    row = {"plot": "A1", "inspected": "2026-05-08", "emerged": "9"}
    with pytest.raises(InputError, match="--correct"):
        append_records(path, [row])
    done = append_records(path, [row], correct=True)
    assert (done.added[0].before, done.added[0].emerged) == (4, 9)
    assert read_records(path)["emerged"].tolist() == [9]
    assert "2026-05-08,4" in path.read_text(), "what was typed stays in the file"


def test_a_clock_set_back_does_not_undo_a_correction(write: Write) -> None:
    path = write({})
    day = {"plot": "A1", "inspected": "2026-05-08"}
    append_records(
        path, [{**day, "emerged": "9"}], correct=True, now=datetime(2026, 5, 9, tzinfo=UTC)
    )
    append_records(
        path, [{**day, "emerged": "8"}], correct=True, now=datetime(2020, 1, 1, tzinfo=UTC)
    )
    assert read_records(path)["emerged"].tolist() == [8]


def test_an_unknown_plot_gets_a_near_match(write: Write) -> None:
    with pytest.raises(InputError, match="did you mean A1"):
        append_records(write({}), [{"plot": "A11", "inspected": "2026-05-09", "emerged": "6"}])


def test_a_formula_is_refused_at_the_door(write: Write) -> None:
    path = write({})
    with pytest.raises(InputError, match="formula"):
        append_records(
            path,
            [{"plot": "A1", "inspected": "2026-05-09", "emerged": "6", "note": "=HYPERLINK()"}],
        )


@pytest.mark.parametrize("newline", ["\n", "\r\n"])
@pytest.mark.parametrize("mark", [",", ";"])
def test_lines_are_added_in_the_manner_of_the_file(write: Write, newline: str, mark: str) -> None:
    path = write({})
    text = path.read_text().replace(",", mark).replace("\n", newline)
    path.write_bytes(text.encode())
    append_records(path, [{"plot": "A1", "inspected": "2026-05-09", "emerged": "6"}])
    raw = path.read_bytes().decode()
    assert raw.count("\n") == raw.count(newline) == 3
    assert read_records(path)["emerged"].tolist() == [4, 6]


def test_a_full_disk_leaves_the_file_as_it_was(
    write: Write, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write({}, extra=("note", "entered"))
    before = path.read_bytes()
    real = os.write

    def full(handle: int, data: bytes) -> int:
        if len(data) > 40:  # a part of the line still fits, then the disk is full
            if bytes(data[:2]) == b"A1":
                return real(handle, bytes(data[:20]))
            raise OSError(errno.ENOSPC, "No space left on device")
        return real(handle, data)

    monkeypatch.setattr(store.os, "write", full)
    with pytest.raises(InputError, match="nothing was recorded"):
        append_records(path, [{"plot": "A1", "inspected": "2026-05-09", "emerged": "6"}])
    monkeypatch.undo()
    assert path.read_bytes() == before


def test_a_writer_waits_for_the_lock_and_says_so(write: Write) -> None:
    path = write({})
    with (
        locked(path),
        pytest.raises(InputError, match="another program is writing"),
        locked(path, wait_s=0.1),
    ):
        pass


def test_a_folder_that_cannot_be_written_to_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="nothing can be recorded"):
        append_records(tmp_path / "absent" / "trial.csv", [])


def test_a_note_on_the_same_count_is_kept(write: Write) -> None:
    path = write({}, extra=("note", "observer"))
    row = {"plot": "A1", "inspected": "2026-05-09", "emerged": "6", "note": "mice", "observer": "J"}
    append_records(path, [row])
    again = append_records(path, [{**row, "note": ""}, {**row, "observer": ""}])
    assert again.already == ("A1", "A1")
    assert append_records(path, [{**row, "note": "mice, two eaten"}], correct=True).added
    assert read_records(path)["note"].tolist() == ["", "mice, two eaten"]


def test_a_new_plot_brings_its_facts(write: Write) -> None:
    path = write({})
    facts = {
        "plot": "B1", "block": "B", "treatment": "soaked", "started": "2026-05-01",
        "planted": "2026-05-02", "seeds_started": "40", "seeds_planted": "40",
    }  # fmt: skip
    count = {"inspected": "2026-05-09", "emerged": "6"}
    for missing in ("treatment", "planted", "seeds_planted"):
        row = {name: cell for name, cell in (facts | count).items() if name != missing}
        with pytest.raises(InputError, match="B1"):
            append_records(path, [row])
    append_records(path, [facts | count])
    found = read_records(path).set_index("plot").loc["B1"]
    assert (found["treatment"], found["emerged"], found["seeds_planted"]) == ("soaked", 6, 40)


def test_what_was_done_is_told_count_by_count(write: Write) -> None:
    path = write({})
    rows = [
        {"plot": "A1", "inspected": "2026-05-08", "emerged": "5"},
        {"plot": "A1", "inspected": "2026-05-10", "emerged": "9"},
    ]
    told = append_records(path, rows, correct=True).added
    assert [(a.plot, a.inspected, a.emerged, a.before, a.corrects) for a in told] == [
        ("A1", "2026-05-08", 5, 4, True),
        ("A1", "2026-05-10", 9, None, False),
    ]


def test_a_later_entry_stands_and_hides_no_day(write: Write) -> None:
    path = write(
        {"emerged": 6, "entered": "2026-05-09T08:00Z"},
        {"emerged": 4, "entered": "2026-05-08T20:00Z"},
        {"inspected": "2026-05-11", "emerged": 12, "entered": "2026-05-11T20:00Z"},
        extra=("entered",),
    )
    found = read_records(path)
    assert found["emerged"].tolist() == [6, 12]


def test_only_a_later_line_corrects_facts(write: Write) -> None:
    nothing = {"inspected": "", "emerged": ""}
    extra = ("entered",)
    first = {"depth_cm": 2.5, "entered": "2026-05-01T08:00Z"}
    later = write(
        {**nothing, **first}, {**nothing, "depth_cm": 3, "entered": "2026-05-02T08:00Z"},
        {"depth_cm": 3, "entered": "2026-05-08T08:00Z"}, extra=extra,
    )  # fmt: skip
    assert read_records(later)["depth_cm"].tolist() == [3.0]
    for stamp in (first["entered"], ""):
        twice = write(
            {**nothing, **first, "entered": stamp},
            {**nothing, "depth_cm": 3, "entered": stamp},
            {"depth_cm": 3, "entered": "2026-05-08T08:00Z"}, extra=extra,
        )  # fmt: skip
        with pytest.raises(InputError, match=r"plot A1 has depth_cm 3.*2\.5 on line 2"):
            read_records(twice)


def test_a_slow_disk_gets_every_byte(write: Write, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write({}, extra=("note", "entered"))
    real = os.write
    monkeypatch.setattr(store.os, "write", lambda handle, data: real(handle, data[:7]))
    append_records(path, [{"plot": "A1", "inspected": "2026-05-09", "emerged": "6"}])
    monkeypatch.undo()
    assert read_records(path)["emerged"].tolist() == [4, 6]
    assert path.read_bytes().endswith(b"\n")


def test_a_new_count_repeats_the_facts_as_they_stand(write: Write) -> None:
    path = write(
        {"inspected": "", "emerged": "", "entered": "2026-05-01T08:00Z"},
        {"inspected": "", "emerged": "", "depth_cm": 3, "entered": "2026-05-02T08:00Z"},
        extra=("entered",),
    )
    append_records(path, [{"plot": "A1", "inspected": "2026-05-09", "emerged": "6"}])
    line = dict(zip(*(row.split(",") for row in path.read_text().splitlines()[::3]), strict=True))
    assert (line["depth_cm"], line["emerged"]) == ("3", "6")
    assert read_records(path)["depth_cm"].tolist() == [3.0]


@pytest.mark.parametrize("sign", ["\u2028", "\x85", "\x0b", "\x0c", "\x1c"])
def test_a_new_column_leaves_other_cells_alone(write: Write, sign: str) -> None:
    """A sign that some take for the end of a line ends none in a table."""
    path = write({"note": f"a{sign}b"}, {"plot": "B1", "note": "x"}, extra=("note",))
    text = path.read_text(encoding="utf-8")
    path.write_bytes(("\n" + text.replace("\n", "\r\n") + "\r\n").encode())
    append_records(
        path, [{"plot": "B1", "inspected": "2026-05-10", "emerged": "9", "observer": "Bo"}]
    )
    table = parse_table(path, path.read_bytes().decode())
    assert table.header[-2:] == ("observer", "entered")
    where = table.header.index("note")
    assert [line.cells[where] for line in table.lines] == [f"a{sign}b", "x", ""]
    assert [len(line.cells) for line in table.lines] == [len(table.header)] * 3


def test_each_correction_of_a_count_is_counted_once(write: Write) -> None:
    path = write(
        {"emerged": 6, "entered": "2026-05-08T08:00Z"},
        {"emerged": 7, "entered": "2026-05-08T09:00Z"},
        {"emerged": 8, "entered": "2026-05-08T10:00Z"},
        {"inspected": "2026-05-11", "emerged": 12, "entered": "2026-05-11T20:00Z"},
        extra=("entered",),
    )
    (history,) = load(path).histories.values()
    assert (history.replaced, [count.emerged for count in history.counts]) == (2, [8, 12])


@pytest.mark.parametrize("separator", [";", ","])
def test_an_empty_first_line_hides_nothing(write: Write, separator: str) -> None:
    path = write({}, {"inspected": "2026-05-10", "emerged": 9})
    text = path.read_text(encoding="utf-8").replace(",", separator).rstrip("\n")
    path.write_bytes(("\r\n" + text).encode("utf-8-sig"))
    with locked(path) as handle:  # left by an append of long ago
        write_mark(handle, 5)
    assert read_records(path)["emerged"].tolist() == [4, 9]


def test_a_plot_in_other_letters_is_the_same(write: Write) -> None:
    path = write({"plot": "B1"}, {"plot": "A2"}, {"plot": "a11"})
    with pytest.raises(InputError, match="did you mean A2") as caught:
        append_records(path, [{"plot": "a2", "inspected": "2026-05-09", "emerged": "6"}])
    assert "--season" not in str(caught.value)


def test_a_line_not_yet_written_has_no_number(write: Write) -> None:
    path = write({}, {"inspected": "2026-05-12", "emerged": 9})

    def refused(*counts: tuple[str, str]) -> str:
        rows = [{"plot": "A1", "inspected": day, "emerged": number} for day, number in counts]
        with pytest.raises(InputError) as caught:
            append_records(path, rows)
        return str(caught.value)

    assert "falls from 9 (line 3) to 7" in refused(("2026-05-14", "7"))
    assert "falls from 12 (new) to 10" in refused(("2026-05-14", "12"), ("2026-05-15", "10"))
    beside = refused(("2026-05-10", "12"))
    assert "line 3, column emerged: nothing was recorded; beside the new counts" in beside
    assert "falls from 12 (new) to 9" in beside
    assert "falls from 4 (line 2) to 3" in refused(("2026-05-10", "3"))


def test_an_empty_cell_asks_for_no_column(write: Write) -> None:
    path = write({}, extra=("entered",))
    row = {"plot": "A1", "inspected": "2026-05-12", "emerged": "9", "note": "", "observer": ""}
    append_records(path, [row])
    assert "note" not in path.read_text(encoding="utf-8").splitlines()[0]
    assert "observer" not in path.read_text(encoding="utf-8").splitlines()[0]


def test_a_frame_of_histories_holds_what_was_counted(write: Write) -> None:
    nothing = {"inspected": "", "emerged": ""}
    histories = load(write(nothing, {**nothing, "plot": "A2"}, {"plot": "A2"})).histories
    assert to_frame(histories)["plot"].tolist() == ["A2"]
    assert to_frame(histories, planned=True)["plot"].tolist() == ["A1", "A2"]
