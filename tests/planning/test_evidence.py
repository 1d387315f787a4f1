"""Where numbers come from, told in words: no name of the code, every source once."""

from __future__ import annotations

import pytest

from thermosprout.crops.catalogue import catalogue, find_crop
from thermosprout.crops.estimate import NAMES
from thermosprout.crops.seed_lots import SeedLot
from thermosprout.planning.evidence import HOW_KNOWN, crop_evidence, lot_words


@pytest.mark.parametrize("name", list(catalogue()))
def test_evidence_of_every_crop_is_in_words_with_each_source_once(name: str) -> None:
    crop = find_crop(name)
    found = crop_evidence(crop)
    assert found.latin_name == crop.latin_name
    keys = [(source, known) for _, source, known in found.sources]
    assert len(keys) == len(set(keys))
    assert {source for source, _ in keys} == {s.source for s in crop.estimate.provenance}
    assert {known for _, known in keys} <= set(HOW_KNOWN.values())
    told = " ".join(what for what, _, _ in found.sources)
    assert not [parameter for parameter in NAMES if "_" in parameter and parameter in told]


def test_figures_are_those_of_the_estimate() -> None:
    crop = find_crop("pea")
    name, value, interval = crop_evidence(crop).figures[0]
    low, high = crop.estimate.interval("t_base_C")
    assert name == "base temperature"
    assert value == f"{crop.estimate.centre()['t_base_C']:.1f} °C"
    assert interval == f"{low:.1f} to {high:.1f} °C"


def test_a_lot_is_told_by_what_is_known_of_it() -> None:
    assert "no seed lot named" in lot_words(None)
    lot = SeedLot(
        id="P1", crop="pea", seeds_germinated=90, seeds_tested=100, year=2024, dressed=True
    )
    words = "lot P1, 90 of 100 seeds germinated in a test, harvested 2024, dressed seed"
    assert lot_words(lot) == words
    packet = SeedLot(id="P3", crop="pea", germination=0.85)
    assert lot_words(packet) == "lot P3, germination 85 %, seeds tested unknown"
    assert lot_words(SeedLot(id="P2", crop="pea")) == "lot P2, germination not tested"
