"""Whatever the bytes, a reader gives a result or one sentence; what once broke stays mended."""

from __future__ import annotations

import warnings
from pathlib import Path

import pytest

from tests.robustness.fuzzing import CORPUS, campaign
from tests.robustness.readers import READERS, REFUSALS, fault


@pytest.mark.parametrize("name", READERS)
def test_sound_files_are_read(name: str, tmp_path: Path) -> None:
    """A file that is refused as it is would leave all that lies behind the refusal untried."""
    reader = READERS[name]
    refused = 0
    for index, data in enumerate(reader.seeds()):
        folder = tmp_path / str(index)
        folder.mkdir()
        path = folder / f"a{reader.suffix}"
        path.write_bytes(data)
        assert fault(reader, path) == ""
        try:
            reader.read(path)
        except REFUSALS:
            # Among the exports of loggers are some that are to be refused.
            refused += 1
            assert name == "logger", f"file {index} was not read"
    assert refused < 0.5 * len(reader.seeds())


@pytest.mark.parametrize("name", READERS)
def test_spoilt_files(name: str, tmp_path: Path) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        cases, found = campaign(name, 7, tmp_path, cases=int(40 * READERS[name].weight))
    assert cases >= 20
    assert found == {}


@pytest.mark.parametrize("path", sorted(CORPUS.glob("*-*")), ids=lambda path: path.name)
def test_what_broke_stays_mended(path: Path, tmp_path: Path) -> None:
    reader = READERS[path.name.rsplit("-", 1)[0]]
    copy = tmp_path / f"a{reader.suffix}"
    copy.write_bytes(path.read_bytes())
    assert fault(reader, copy) == ""
