"""The catalogue loads fast and whole, and finds a crop by any name a grower has for it."""

from __future__ import annotations

import dataclasses
import subprocess
import sys

import numpy as np
import pytest

from thermosprout.crops.catalogue import catalogue, find_crop, generic_crop, search_crops
from thermosprout.crops.crop import Crop
from thermosprout.crops.estimate import NAMES
from thermosprout.errors import InputError

HARRINGTON = [
    *("asparagus", "lima bean", "snap bean", "beet", "cabbage", "carrot", "cauliflower", "celery"),
    *("sweet corn", "cucumber", "eggplant", "lettuce", "muskmelon", "okra", "onion", "parsley"),
    *("parsnip", "pea", "pepper", "radish", "spinach", "tomato", "turnip", "watermelon"),
]


def test_has_all_crops_of_the_day_table_and_more():
    assert set(HARRINGTON) <= set(catalogue())
    assert len(catalogue()) >= 50


@pytest.mark.parametrize(
    ("typed", "found"),
    [
        ("snap bean", "snap bean"),
        ("French bean", "snap bean"),
        ("GREEN  BEANS", "snap bean"),
        ("french-bean", "snap bean"),
        ("Phaseolus vulgaris", "snap bean"),
        ("aubergine", "eggplant"),
        ("beetroot", "beet"),
        ("courgette", "pumpkin"),
        ("melon", "muskmelon"),
        ("faba bean", "broad bean"),
        ("sweetcorn", "sweet corn"),
        ("corn", "maize"),
        ("swede rape", None),
        ("tomatoes", "tomato"),
        ("Triticum aestivum", "wheat"),
    ],
)
def test_finds_by_any_name(typed, found):
    if found is None:
        with pytest.raises(InputError):
            find_crop(typed)
    else:
        assert find_crop(typed).name == found


def test_a_near_miss_is_named():
    with pytest.raises(InputError, match="did you mean parsnip"):
        find_crop("parsnipp")


def test_a_latin_name_of_many_crops_lists_them():
    with pytest.raises(InputError, match=r"beet, sugar beet, swiss chard"):
        find_crop("Beta vulgaris")


def test_nothing_near_points_to_the_list():
    with pytest.raises(InputError, match="thermosprout crops"):
        find_crop("qqqqqq")


def test_search_reads_aliases_and_latin():
    assert {crop.name for crop in search_crops("brassica")} >= {"cabbage", "turnip", "kale"}
    assert [crop.name for crop in search_crops("haricot")] == ["snap bean"]


def test_no_two_crops_share_a_name():
    seen: dict[str, str] = {}
    for crop in catalogue().values():
        for name in (crop.name, *crop.aliases, crop.latin_name):
            assert seen.setdefault(name.casefold(), crop.name) == crop.name, name


@pytest.mark.parametrize("crop", catalogue().values(), ids=lambda crop: crop.name)
def test_every_crop_is_whole_and_plausible(crop):
    centre = crop.estimate.centre()
    assert tuple(crop.estimate.names) == NAMES
    assert -8 < centre["t_base_C"] < 15
    assert 20 < centre["t_base_C"] + centre["opt_gap_C"] < 42
    assert centre["ceiling_gap_C"] > 3
    assert 20 < centre["thermal_time_50_Cd"] < 500
    assert crop.season == "warm" or not crop.tender
    assert crop.response_reason
    assert crop.estimate.provenance
    graded = {"page", "memory", "assumption", "relatives", "all crops"}
    assert {item.verified for item in crop.estimate.provenance} <= graded
    stand = crop.stand_response(np.linspace(-5, 50, 200))
    assert stand.min() >= 0
    assert 0.9 < stand.max() <= 1


@pytest.mark.parametrize("crop", catalogue().values(), ids=lambda crop: crop.name)
def test_spread_between_lots_is_in_the_estimate(crop):
    sd = dict(zip(NAMES, np.sqrt(np.diag(crop.estimate.covariance)), strict=True))
    assert sd["t_base_C"] >= 1.0
    assert 0.15 < sd["thermal_time_50_Cd"] < 1.0
    rng = np.random.default_rng(3)
    draws = crop.estimate.draw(500, rng)
    assert np.isfinite(np.array([draws[name] for name in NAMES])).all()


def test_maize_is_chilling_sensitive_and_pea_is_not():
    chilled = {crop.name for crop in catalogue().values() if crop.chilling_sensitive}
    assert {"snap bean", "lima bean", "soybean", "maize", "sweet corn"} <= chilled
    assert not {"pea", "broad bean", "wheat", "cabbage"} & chilled


def test_large_legumes_are_harmed_by_soaking():
    harmed = {crop.name for crop in catalogue().values() if crop.harmed_by_soaking}
    assert {"snap bean", "lima bean", "pea", "soybean", "broad bean"} <= harmed
    assert not {"beet", "maize", "carrot"} & harmed


def test_raw_kidney_type_beans_carry_their_caution():
    assert any("poisonous" in text for text in find_crop("kidney bean").cautions)


def test_a_generic_crop_says_so_and_is_wider():
    made = generic_crop("shiso", season="warm", seed_size="small")
    assert "generic" in made.estimate.provenance[0].source
    assert made.estimate.covariance[0, 0] > find_crop("tomato").estimate.covariance[0, 0]


def test_a_crop_refuses_a_stand_that_cannot_be():
    good = find_crop("pea")
    with pytest.raises(InputError, match="lost to cold above"):
        dataclasses.replace(good, stand_low_C=35.0, stand_high_C=20.0)
    with pytest.raises(InputError, match="positive widths"):
        dataclasses.replace(good, stand_low_width_C=0.0)


def test_stand_is_half_where_it_says_so():
    pea: Crop = find_crop("pea")
    wide = dataclasses.replace(pea, stand_high_C=60.0, stand_high_width_C=1.0)
    np.testing.assert_allclose(wide.stand_response(pea.stand_low_C), 0.5, atol=1e-9)


def test_loading_needs_neither_pandas_nor_scipy():
    code = (
        "import sys; from thermosprout.crops.catalogue import find_crop; find_crop('pea');"
        "print('pandas' in sys.modules, 'scipy' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False", "False"]


@pytest.mark.parametrize(
    ("typed", "meant"),
    [("carott", "carrot"), ("letuce", "lettuce"), ("onoin", "onion"), ("beetrot", "beet")],
)
def test_a_slip_is_met_with_one_crop(typed: str, meant: str) -> None:
    with pytest.raises(InputError, match=rf"did you mean {meant}\?$"):
        find_crop(typed)


def test_another_crop_is_no_slip() -> None:
    with pytest.raises(InputError, match="in the catalogue"):
        find_crop("kumara")
