"""Where numbers come from, told in words: no name of the code, every source once."""

from __future__ import annotations

import re

import numpy as np
import pytest

from thermosprout.crops.catalogue import catalogue, find_crop
from thermosprout.crops.estimate import NAMES
from thermosprout.crops.seed_lots import SeedLot
from thermosprout.planning.compare_answer import CompareAnswer, compare_ways
from thermosprout.planning.evidence import HOW_KNOWN, crop_evidence, lot_words
from thermosprout.season.open_context import open_context
from thermosprout.season.setting import Question
from thermosprout.trials.power import Trial, power, truths_of


@pytest.mark.parametrize("name", list(catalogue()))
def test_evidence_names_each_source_once(name: str) -> None:
    crop = find_crop(name)
    evidence = crop_evidence(crop)
    assert evidence.latin_name == crop.latin_name
    keys = [(source, known) for _, source, known in evidence.sources]
    assert len(keys) == len(set(keys))
    assert {source for source, _ in keys} == {s.source for s in crop.estimate.provenance}
    assert {known for _, known in keys} <= set(HOW_KNOWN.values())
    told = " ".join(what for what, _, _ in evidence.sources)
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


def answer(crop: str, constant_C: float) -> CompareAnswer:
    return compare_ways(open_context(constant_C=constant_C, size=400), Question(crop=crop))


@pytest.mark.parametrize(("crop", "treatment"), [("pea", "presprouted"), ("spinach", "soaked")])
def test_a_choice_on_an_assumption_names_a_trial(crop: str, treatment: str) -> None:
    """Neither was measured, and the gain may be worth it or not: fresh trials judge the size."""
    result = answer(crop, 14.0)
    (sentence,) = [note for note in result.notes if "rests on an assumption" in note]
    assert f"direct beside {treatment}" in sentence
    figures = re.search(r"trial of (\d+) blocks.* (\d+) seeds a plot .* show ([\d.]+) d", sentence)
    assert figures is not None
    blocks, seeds, days = (float(figure) for figure in figures.groups())
    setting = result.comparison.setting
    truths = truths_of(setting.crop, 14.0, depth_cm=setting.depth_cm, trials=3000, seed=99)

    def chance(blocks: float) -> float:
        trial = Trial(blocks=int(blocks), seeds=int(seeds))
        return power(trial, truths, np.random.default_rng(7), later_d=-days).chance

    print(f"{crop}: {sentence} Fresh trials: {chance(blocks):.0%}")
    assert 0.78 <= chance(blocks) <= 0.88
    assert chance(blocks // 2) < 0.7


def test_no_trial_is_named_where_the_gain_is_sure() -> None:
    for crop in ("carrot", "lettuce", "snap bean"):
        assert not any("assumption" in note for note in answer(crop, 14.0).notes)


def test_a_difference_too_small_for_gardens_is_called_so() -> None:
    (sentence,) = [note for note in answer("radish", 10.0).notes if "assumption" in note]
    assert "even a trial of 20 blocks" in sentence
