"""What the figures of soaking and sprouting rest on, in one sentence each."""

from __future__ import annotations

import csv

import pytest

from thermosprout.crops.catalogue import catalogue, handling_evidence
from thermosprout.files import reference_file


def works(crop: str, kinds: tuple[str, ...]) -> set[str]:
    """Works with a row of a crop in the table of published results."""
    text = reference_file("presowing_evidence.csv").read_text(encoding="utf-8")
    return {
        row["source_id"]
        for row in csv.DictReader(text.splitlines())
        if row["crop"] == crop
        and row["treatment"] in kinds
        and row["measure"] in ("days", "stand")
        and row["source_id"] != "abebe2009"
    }


@pytest.mark.parametrize("name", catalogue())
def test_a_crop_is_measured_where_the_table_has_it(name: str) -> None:
    for handling, kinds in (
        ("soaking", ("soak", "soak_dried", "flood")),
        ("sprouting", ("sprouted",)),
    ):
        found, mine = handling_evidence(name, handling), works(name, kinds)
        assert (found.grade == "measured") is bool(mine)
        if mine:
            assert found.sources == len(mine)
        assert name in found.sentence()


def test_what_stands_in_for_a_crop_is_named() -> None:
    parsnip = handling_evidence("parsnip", "soaking")
    assert (parsnip.grade, parsnip.relatives) == ("relatives", ("carrot",))
    assert "carrot" in parsnip.sentence()
    assert handling_evidence("a crop of one's own", "soaking").grade == "all crops"
