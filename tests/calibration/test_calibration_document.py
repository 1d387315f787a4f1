"""The document of a calibration, key by key, from findings and plots written by hand."""

from __future__ import annotations

from dataclasses import asdict, replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from tests.calibration.growers import plain_crop
from thermosprout.calibration.findings import Finding
from thermosprout.calibration.plots import Plot, digest_of
from thermosprout.calibration.predict import Temperatures
from thermosprout.calibration.result import calibration_document, origin_of
from thermosprout.calibration.scores import Score
from thermosprout.crops.estimate import PARAMETERS

START = float(np.datetime64("2025-04-02T06:30", "m").astype(int)) / 60.0
LOOKS = START + np.array([48.0, 96.0, 144.0])


def plot(name: str, new: tuple[float, ...], **more: object) -> Plot:
    usual: dict[str, object] = {"planted_h": START, "depth_cm": 2.0, "seeds": 20, "hours": LOOKS,
                                "new": np.array(new)}  # fmt: skip
    return Plot(name=name, **(usual | more))  # type: ignore[arg-type]


PLOTS = (
    plot("a", (0.0, 8.0, 4.0)), plot("b", (4.0, 4.0, 8.0), seeds=30),
    plot("c", (0.0, 1.0, 1.0), variety="Red", seed_lot="L", treatment="fleece"),
    plot("n", (), hours=np.zeros(0), seeds=0, planted_h=START + 24.0,
         noted_h=(START + 72.0, START + 120.0)),
    plot("d", (2.0, 2.0, 0.0), constant_C=15.0, planted_h=START - 48.0),
)  # fmt: skip


def finding(name: str, estimate: float | None = 4.0, **more: object) -> Finding:
    usual: dict[str, object] = {
        "low": None if estimate is None else 3.0, "high": None if estimate is None else 5.5,
        "prior": (3.5, 1.0, 6.0), "narrower": 0.12345, "kept": estimate is None,
    }  # fmt: skip
    return Finding(name=name, estimate=estimate, **(usual | more))  # type: ignore[arg-type]


def calibration(**more: object) -> SimpleNamespace:
    usual: dict[str, object] = {
        "prior": plain_crop("beetroot"), "checks": (),
        "variety": "Red", "seed_lot": "L", "with_prior": True,
        "parameters": (
            finding("t_base_C"), finding("t_opt_C", narrower=0.0999), finding("sigma", None),
        ),
        "treatments": (finding("fleece: heavy:thermal_time_factor", 0.8),),
        "warnings": ("look again",), "effective_draws": 321.5, "log_likelihood": -12.5,
        "temperatures": Temperatures(means=np.array([9.0, 16.5]), plots_at=()), "plots": PLOTS,
    }  # fmt: skip
    return SimpleNamespace(**(usual | more))


def document(one: SimpleNamespace, **more: object) -> dict[str, object]:
    return calibration_document(one, files=[Path("x/t.csv")], prior="catalogue", **more)  # type: ignore[arg-type]


def test_every_key_of_a_fit_with_prior() -> None:
    before = {"estimate": 3.5, "low": 1.0, "high": 6.0}
    known = {"estimate": 4.0, "low": 3.0, "high": 5.5, "before": before, "kept": False}
    found = document(calibration(), more_warnings=("first of all",))
    settings = found.pop("settings")
    records = found.pop("records")
    assert found == {
        "crop": "beetroot", "variety": "Red", "seed_lot": "L", "prior": "catalogue",
        "response": "beta", "interval": 0.9, "checks": [],
        "parameters": {
            "t_base_C": known | {"narrower": 0.123, "learned": True,
                                 "meaning": PARAMETERS["t_base_C"].meaning},
            "t_opt_C": known | {"narrower": 0.1, "learned": False,
                                "meaning": "optimum temperature"},
            "sigma": {"estimate": None, "low": None, "high": None, "before": before, "kept": True,
                      "narrower": 0.123, "learned": False, "kept_at": 3.5,
                      "meaning": PARAMETERS["sigma"].meaning},
        },
        "treatments": [{"treatment": "fleece: heavy", "measure": "thermal_time_factor",
                        "estimate": 0.8, "low": 3.0, "high": 5.5}],
        "temperatures_C": {"low": 9.0, "high": 16.5},
        "log_likelihood": -12.5, "effective_draws": 321.5,
        "warnings": ["first of all", "look again"],
    }  # fmt: skip
    # Three looks at each of four plots, and one date that was noted.
    assert records == {
        "files": ("t.csv",), "digest": digest_of(PLOTS), "plots": 5, "seeds": 20 + 30 + 20 + 20,
        "inspections": 13, "first_planted": "2025-03-31", "last_inspected": "2025-04-08",
    }  # fmt: skip
    usual = {"variety": None, "seed_lot": None, "treatment": "direct", "temperature_C": None,
             "planted": "2025-04-02T06:30Z"}  # fmt: skip
    # Half of 12 is 6 of the 8 that came over the second two days; half of 16 is reached at 96 h.
    half = (2.0 + 2.0 * 6 / 8, 4.0)
    assert settings == [
        usual | {"plots": 2, "seeds": 50, "emerged": 28, "half_d": pytest.approx(np.mean(half))},
        usual | {"variety": "Red", "seed_lot": "L", "treatment": "fleece", "plots": 1, "seeds": 20,
                 "emerged": 2, "half_d": None},
        usual | {"planted": "2025-04-03T06:30Z", "plots": 1, "seeds": None, "emerged": None,
                 "half_d": pytest.approx(3.0)},
        usual | {"planted": "2025-03-31T06:30Z", "temperature_C": 15.0, "plots": 1, "seeds": 20,
                 "emerged": 4, "half_d": pytest.approx(4.0)},
    ]  # fmt: skip


def test_without_prior_there_is_no_prior_and_no_draws() -> None:
    found = document(calibration(with_prior=False, effective_draws=None))
    assert found["prior"] is None
    assert found["effective_draws"] is None
    assert found["warnings"] == ["look again"]
    assert not {"check", "saved"} & set(found)


def test_scores_and_files_are_there_when_there_are_any() -> None:
    score = Score(name="calibrated", plots=3, date_crps_d=0.4, date_error_d=0.5, date_covered=0.8,
                  stand_crps=None, stand_covered=None)  # fmt: skip
    found = document(
        calibration(), scores=[score], left_out="each plot", saved=[Path("a/b.json"), Path("c")]
    )
    assert found["check"] == {"left_out": "each plot", "scores": [asdict(score)]}
    assert found["saved"] == ["a/b.json", "c"]


HOURS = np.datetime64("2026-04-10T06", "h").astype(int)


def test_provenance_counts_plots_seeds_and_looks() -> None:
    one = Plot(
        name="a", planted_h=float(HOURS), depth_cm=2.0, seeds=40,
        hours=HOURS + 24.0 * np.array([5.0, 7.0, 9.0]), new=np.array([3.0, 8.0, 4.0]),
    )  # fmt: skip
    two = replace(one, name="b", planted_h=HOURS + 24.0, seeds=30,
                  hours=HOURS + 24.0 * np.array([4.0, 12.0]), new=np.array([3.0, 8.0]))  # fmt: skip
    noted = replace(
        one, name="n", seeds=0, planted_h=HOURS - 48.0, hours=np.zeros(0), new=np.zeros(0),
        noted_h=(HOURS + 100.0, HOURS + 124.0),
    )  # fmt: skip
    plots = [one, two, noted]
    found = origin_of(
        plots, [Path("x/t.csv"), Path("d.csv")], prior="catalogue", effective_draws=12.5
    )
    assert found.files == ("t.csv", "d.csv")
    assert (found.plots, found.seeds, found.inspections) == (3, 70, 3 + 2 + 1)
    assert (found.first_planted, found.last_inspected) == ("2026-04-08", "2026-04-22")
    assert (found.prior, found.effective_draws) == ("catalogue", 12.5)
    assert found.digest == digest_of(plots)
    assert found.digest != digest_of([one, replace(two, seeds=31), noted])


def test_seeds_started_are_part_of_what_a_fit_was_told() -> None:
    plain = Plot(name="a", planted_h=float(HOURS), depth_cm=2.0, seeds=40,
                 hours=HOURS + np.array([120.0]), new=np.array([3.0]))  # fmt: skip
    told = [digest_of([replace(plain, seeds_started=count)]) for count in (None, 40, 44)]
    assert len(set(told)) == 3
