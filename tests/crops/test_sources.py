"""Every figure of the tables names its work: authors, year and where it was published."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import pytest

from thermosprout.calibration.crop_curve import short_citations
from thermosprout.crops.catalogue import catalogue, handling_evidence
from thermosprout.files import reference_file, reference_rows

AUTHORS_AND_YEAR = re.compile(r"^[^,]+(?:, [^,]+)* (?:(?:18|19|20)\d\d|n\.d\.), \S")
"""As in "Harrington & Minges 1954, Vegetable Seed Germination"; n.d. where no year was printed."""

COPIES = (
    "what-when-how", "researcher.life", "scilit", "mendeley", "scribd", "mysciencework", "zendy",
    "issuhub", "studylib", "cloudfront", "lawstack", "bookdome", "github.com/18F",
)  # fmt: skip
"""Sites that copy what others published: where a figure was read, never its address."""

IN_CODE = {"harrington1954"}
"""The day table's source, which has no column of its own in the table."""


def cited() -> dict[str, set[str]]:
    """Source ids by the table that cites them."""
    found: dict[str, set[str]] = {}
    for path in sorted(Path(reference_file("sources.csv")).parent.glob("*.csv")):
        if path.name == "sources.csv":
            continue
        with path.open(encoding="utf-8", newline="") as stream:
            for row in csv.DictReader(stream):
                for column, cell in row.items():
                    if column.endswith(("source_id", "source_ids", "field_ids")):
                        found.setdefault(path.name, set()).update(filter(None, cell.split(";")))
    return found


def test_tables_and_list_of_sources_hold_the_same_works() -> None:
    listed = {row["source_id"] for row in reference_rows("sources.csv")}
    named = set().union(*cited().values())
    assert named - listed == set()
    assert listed - named == IN_CODE
    assert {"soil_textures.csv", "seedbed_covers.csv", "holding.csv"} <= set(cited())


def test_a_source_has_authors_year_and_address() -> None:
    for row in reference_rows("sources.csv"):
        assert AUTHORS_AND_YEAR.match(row["source"]), row["source"]
        assert row["doi"] == "" or re.fullmatch(r"10\.\d{4,9}/\S+", row["doi"]), row["source"]
        assert row["doi_verified"] in (("page", "memory") if row["doi"] else ("",)), row["source"]
        assert not any(copy in row["url"] for copy in COPIES), row["url"]
        assert all(text == "" or text.startswith("http") for text in (row["url"], row["read_at"]))
        if row["source"].startswith("Anon."):
            assert "not printed" in row["source"]


def test_a_crop_names_author_and_year_of_every_figure() -> None:
    known = {row["source"] for row in reference_rows("sources.csv")}
    for name, crop in catalogue().items():
        for item in crop.estimate.provenance:
            if item.verified in ("page", "memory"):
                assert any(work in item.source for work in known), (name, item.what, item.source)


def test_short_citations_end_with_the_year() -> None:
    for source, text in short_citations().items():
        assert re.search(r" (?:\d{4}|n\.d\.)$", text), (source, text)


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
