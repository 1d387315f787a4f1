"""The committed catalogue, figure by figure and word by word, is what the fit writes."""

from __future__ import annotations

import json
from typing import Any

import pytest

from reference_data.build.catalogue import _compact, fit_catalogue
from thermosprout.files import reference_file

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def fresh() -> dict[str, Any]:
    document: dict[str, Any] = json.loads(_compact(fit_catalogue()))
    return document


@pytest.fixture(scope="module")
def kept() -> dict[str, Any]:
    text = reference_file("catalogue.json").read_text(encoding="utf-8")
    document: dict[str, Any] = json.loads(text)
    return document


def by_name(document: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {entry["name"]: entry for entry in document["crops"]}


def test_head_and_order(fresh: dict[str, Any], kept: dict[str, Any]) -> None:
    assert {k: v for k, v in fresh.items() if k != "crops"} == {
        k: v for k, v in kept.items() if k != "crops"
    }
    assert list(by_name(fresh)) == list(by_name(kept))


def test_figures_to_what_differs_between_machines(
    fresh: dict[str, Any], kept: dict[str, Any]
) -> None:
    for name, entry in by_name(kept).items():
        mine = by_name(fresh)[name]["estimate"]
        assert mine["mean"] == pytest.approx(entry["estimate"]["mean"], abs=2e-3), name
        pairs = [
            {(a, b): value for a, b, value in one["covariance"]}
            for one in (mine, entry["estimate"])
        ]
        assert pairs[0] == pytest.approx(pairs[1], abs=2e-3), name


def test_stand_sowing_practice_and_words(fresh: dict[str, Any], kept: dict[str, Any]) -> None:
    for name, entry in by_name(kept).items():
        mine = by_name(fresh)[name]
        for key in entry.keys() - {"estimate"}:
            if isinstance(entry[key], float):
                assert mine[key] == pytest.approx(entry[key], abs=0.02), (name, key)
            else:
                assert mine[key] == entry[key], (name, key)
