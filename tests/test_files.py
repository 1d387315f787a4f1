"""Files of what a person typed: whole after a kill, on a full disk, with two programs at once."""

from __future__ import annotations

import os
import random
import resource
import signal
import time
from pathlib import Path

import pytest

from thermosprout.errors import InputError
from thermosprout.files import read_text, write_atomic

OLD, NEW = "old line\n" * 20_000, "new line\n" * 30_000


def test_a_kill_leaves_the_old_or_new_file(tmp_path: Path) -> None:
    path = tmp_path / "season.toml"
    write_atomic(path, OLD)
    rng = random.Random(4)
    for _ in range(60):
        child = os.fork()
        if child == 0:
            while True:
                write_atomic(path, NEW)
                write_atomic(path, OLD)
        time.sleep(rng.uniform(0.001, 0.02))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        assert path.read_text(encoding="utf-8") in (OLD, NEW)


def test_two_programs_at_once_leave_one_of_both(tmp_path: Path) -> None:
    path = tmp_path / "estimate.toml"
    children = []
    for text in (OLD, NEW):
        child = os.fork()
        if child == 0:
            for _ in range(40):
                write_atomic(path, text)
            os._exit(0)
        children.append(child)
    for child in children:
        assert os.waitpid(child, 0)[1] == 0
    assert path.read_text(encoding="utf-8") in (OLD, NEW)
    assert [entry.name for entry in tmp_path.iterdir()] == ["estimate.toml"]


def test_a_full_disk_leaves_the_old_file(tmp_path: Path) -> None:
    path = tmp_path / "season.toml"
    write_atomic(path, "kept\n")
    child = os.fork()
    if child == 0:
        # A limit on the size of files stands in for a disk that is full.
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (4096, 4096))
        try:
            write_atomic(path, NEW)
        except InputError as error:
            os._exit(0 if "cannot be written" in str(error) else 2)
        os._exit(1)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0
    assert path.read_text(encoding="utf-8") == "kept\n"
    assert [entry.name for entry in tmp_path.iterdir()] == ["season.toml"]


def test_a_folder_that_is_not_there_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be written"):
        write_atomic(tmp_path / "nowhere" / "file.txt", "text")


def test_rights_of_a_file_are_kept(tmp_path: Path) -> None:
    path = tmp_path / "private.toml"
    write_atomic(path, "a")
    path.chmod(0o600)
    write_atomic(path, "b")
    assert path.stat().st_mode & 0o777 == 0o600


@pytest.mark.parametrize(
    ("content", "message"),
    [(b"caf\xe9\n", "not UTF-8"), (b"x" * 2_000_000, "at most 1 MB")],
    ids=["encoding", "size"],
)
def test_reading_is_bounded_and_says_what_is_wrong(
    tmp_path: Path, content: bytes, message: str
) -> None:
    path = tmp_path / "file.txt"
    path.write_bytes(content)
    with pytest.raises(InputError, match=message):
        read_text(path, limit_mb=1.0)


def test_absent_files_and_folders_are_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        read_text(tmp_path / "absent.txt")
    with pytest.raises(InputError, match="folder"):
        read_text(tmp_path)
