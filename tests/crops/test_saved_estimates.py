"""Estimates are kept in readable files, nothing is overwritten without a copy, and undo works."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.calibration.growers import plain_crop
from thermosprout.crops.estimate import Estimate
from thermosprout.crops.saved_estimates import (
    Origin,
    SavedEstimate,
    best_estimate,
    file_name,
    load_saved,
    read_saved,
    save_estimate,
    undo_estimate,
)
from thermosprout.errors import InputError

ORIGIN = Origin(
    files=("north bed.csv",), digest="ab" * 32, plots=12, seeds=480, inspections=90,
    first_planted="2025-04-02", last_inspected="2025-05-20", prior="catalogue",
)  # fmt: skip


def saved(crop="beetroot", variety=None, lot=None, base=4.0, response="beta"):
    estimate = Estimate.generic(crop, {"t_base_C": (base, 0.7)})
    rng = np.random.default_rng(4)
    mixing = np.eye(estimate.mean.size) + 0.1 * rng.standard_normal((estimate.mean.size,) * 2)
    covariance = mixing @ estimate.covariance @ mixing.T
    return SavedEstimate(
        estimate=replace(estimate, variety=variety, seed_lot=lot, covariance=covariance),
        response=response,
        origin=ORIGIN,
        made=datetime(2025, 6, 1, 12, tzinfo=UTC),
        version="0.1.0",
    )


def test_round_trip_keeps_every_number(tmp_path: Path) -> None:
    first = saved(variety='Red "Globe" ü', lot="2024/7")
    path = save_estimate(tmp_path, first)
    back = read_saved(path)
    np.testing.assert_allclose(back.estimate.mean, first.estimate.mean, rtol=1e-11)
    np.testing.assert_allclose(
        back.estimate.covariance, first.estimate.covariance, rtol=1e-6, atol=1e-8
    )
    assert back.origin == first.origin
    assert back.made == first.made
    assert (back.estimate.variety, back.estimate.seed_lot) == ('Red "Globe" ü', "2024/7")


@given(st.text(max_size=30), st.text(max_size=30))
def test_any_name_gives_a_safe_and_own_file_name(one: str, other: str) -> None:
    for name in (one, other):
        made = file_name("leek", name, None)
        assert "/" not in made
        assert not made.startswith(".")
        assert made.isascii()
    fold = [" ".join(name.casefold().split()) for name in (one, other)]
    if fold[0] != fold[1]:
        assert file_name("leek", one, None) != file_name("leek", other, None)


def test_replacing_keeps_the_old_one_and_undo_brings_it_back(tmp_path: Path) -> None:
    for base in (3.0, 4.0, 5.0):
        save_estimate(tmp_path, saved(base=base))
    assert len(list((tmp_path / "older").iterdir())) == 2
    crop = plain_crop("beetroot")

    def base_now() -> float:
        return best_estimate(crop, None, None, tmp_path).centre()["t_base_C"]

    assert base_now() == pytest.approx(5.0)
    undo_estimate(tmp_path, "beetroot")
    assert base_now() == pytest.approx(4.0)
    undo_estimate(tmp_path, "beetroot")
    assert base_now() == pytest.approx(3.0)
    kept, now = undo_estimate(tmp_path, "beetroot")
    assert now is None
    assert read_saved(kept).estimate.centre()["t_base_C"] == pytest.approx(3.0)
    assert base_now() == pytest.approx(crop.estimate.centre()["t_base_C"])
    with pytest.raises(InputError, match="no saved estimate of beetroot to undo"):
        undo_estimate(tmp_path, "beetroot")


def test_the_closest_estimate_is_used(tmp_path: Path) -> None:
    save_estimate(tmp_path, saved(base=3.0))
    save_estimate(tmp_path, saved(variety="Red Marble", base=4.0))
    save_estimate(tmp_path, saved(variety="Red Marble", lot="A", base=5.0))
    crop = plain_crop("beetroot")

    def base(variety: str | None, lot: str | None) -> float:
        return best_estimate(crop, variety, lot, tmp_path).centre()["t_base_C"]

    assert base("red marble", "a") == pytest.approx(5.0)
    assert base("Red Marble", "B") == pytest.approx(4.0)
    assert base("Dusk Globe", "B") == pytest.approx(3.0)
    assert base(None, None) == pytest.approx(3.0)
    told = best_estimate(crop, None, None, tmp_path).provenance[-1]
    assert told.verified == "records"
    assert "12 plots, 480 seeds" in told.what
    assert load_saved(tmp_path / "absent") == {}


def test_an_estimate_of_another_response_is_refused(tmp_path: Path) -> None:
    save_estimate(tmp_path, saved(response="linear"))
    with pytest.raises(InputError, match=r"linear temperature response, beetroot has the beta"):
        best_estimate(plain_crop("beetroot"), None, None, tmp_path)


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("format = 1", "format = 2", "has format 2, this version reads format 1"),
        ('response = "beta"', 'response = "cubic"', "response is missing or wrong"),
        ("sd = 0.", "sd = -0.", "greater than or equal to 0"),
        ("mean = ", "mean = nan #", "finite number"),
        ("[records]", "[record]", "records is missing"),
        ("plots = 12", 'plots = "12"', "plots is missing or wrong, expected a whole number"),
        ("t_base_C", "t_bass_C", "23 parameters"),
        ("made = 2025-06-01T12:00:00Z", "made = 2025-06-01", "date-time"),
        ("crop = ", "crop : ", "not a saved estimate"),
        ("[1.0]", "[2.5]", "less than or equal to 1"),
    ],
)
def test_a_damaged_file_is_named_and_not_believed(
    tmp_path: Path, old: str, new: str, told: str
) -> None:
    path = save_estimate(tmp_path, saved())
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")
    with pytest.raises(InputError, match=told) as caught:
        load_saved(tmp_path)
    assert str(path) in str(caught.value)
