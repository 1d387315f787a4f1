"""Fit what soaking and sprouting bring to the published results, crop by crop.

Run as ``python -m reference_data.build.handling``, before ``reference_data.build.catalogue``.
Writes ``handling_effects.csv``, which the catalogue takes its handling parameters from, and
``handling_left_out.csv``, the same with each source left out in turn, which judges the model.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from reference_data.build.hierarchy import EffectPrior, EffectRow, FittedEffect, fit_effect
from reference_data.build.presowing_rows import FIELD_FILE, PublishedEffect, published_effects
from thermosprout.crops.catalogue import catalogue, find_crop
from thermosprout.crops.seed_lots import typical_viability
from thermosprout.emergence.response import ResponseDraws
from thermosprout.emergence.stand import stand_share
from thermosprout.emergence.thermal_time import ConstantClock
from thermosprout.emergence.treatments import Handling, seed_state
from thermosprout.files import reference_rows
from thermosprout.planning.options import PLANTING_RADICLE_MM
from thermosprout.quantities import FloatArray

EFFECTS_FILE = "handling_effects.csv"
LEFT_OUT_FILE = "handling_left_out.csv"

PRIORS = {
    "soak_credit": EffectPrior(
        mean=0.5, sd=0.4, spreads=(0.2, 0.2, 0.3), dry_mean=0.25, dry_sd=0.3
    ),
    "soak_stand": EffectPrior(mean=0.1, sd=0.2, spreads=(0.2, 0.2, 0.3), dry_mean=0.3, dry_sd=0.4),
    "soak_stand_sensitive": EffectPrior(
        mean=-0.4, sd=0.4, spreads=(0.4, 0.3, 0.3), dry_mean=0.3, dry_sd=0.4
    ),
    "sprout_kept": EffectPrior(
        mean=0.8, sd=0.2, spreads=(0.1, 0.1, 0.15), dry_mean=0.0, dry_sd=0.3
    ),
    "sprout_stand": EffectPrior(
        mean=-0.1, sd=0.4, spreads=(0.2, 0.3, 0.3), dry_mean=0.0, dry_sd=0.5
    ),
}
"""Before any row: part of a soak's thermal time kept, log odds of the stand after a full soak, part
of the time indoors that sprouted seed keeps, log odds of the stand of sprouts (assumptions)."""

SENSITIVE = ("warm legumes", "cool legumes", "spurges")
"""Relatives whose large seed water can harm; their soaks are fitted apart from other seed."""

_NEUTRAL = {
    "soak_credit": 0.0, "soak_stand": 0.0, "dry_bed_gain": 0.0, "dry_bed_stand": 0.0,
    "sprout_stand": 0.0, "handling_delay_Cd": 0.0,
}  # fmt: skip
_DRY_OF = {"soak_credit": "dry_bed_gain", "soak_stand": "dry_bed_stand"}
_DAYS_SHARE_SD, _DAYS_SD, _STAND_SD = 0.06, 0.25, 0.3
"""Error of a trial of four replicates: days by share of the days and at least, and log odds."""

_SEASON_SD = 1.37
"""Sd of the log odds of field emergence between seasons: middle of five crops in three years, their
ranges turned to sd by the mean range of three (1.69 sd) and cut at 0.95."""
_BETWEEN_CROPS_SD, _ALL_CROPS_LOG_ODDS, _YEARS = 0.6, 0.9, 3
_DRY_LEAST_SD = 0.3


def effect_rows(effect: str, leave_out: str = "") -> list[EffectRow]:
    """Rows of one effect on its own scale, without one source."""
    rows = []
    for one in published_effects():
        if one.source == leave_out or one.sprouted != effect.startswith("sprout"):
            continue
        if (one.measure == "stand") != ("stand" in effect):
            continue
        if effect.startswith("soak_stand") and (one.relatives in SENSITIVE) != (
            effect == "soak_stand_sensitive"
        ):
            continue
        rows.append(_row(one, effect.removesuffix("_sensitive")))
    return rows


def _row(one: PublishedEffect, effect: str) -> EffectRow:
    plain = _modelled(one, {})
    if effect == "sprout_kept":
        weight = plain["indoors_d"]
        offset, dry = plain["effect"] - weight, 0.0
    else:
        offset = plain["effect"]
        weight = (_modelled(one, {effect: 0.2})["effect"] - offset) / 0.2
        dry = 0.0
        if effect in _DRY_OF and one.handling.dry_bed:
            dry = (_modelled(one, {_DRY_OF[effect]: 0.2})["effect"] - offset) / 0.2
        elif effect == "sprout_stand":
            dry = float(one.handling.dry_bed)
    days = one.measure == "days"
    sd = float(np.hypot(_DAYS_SHARE_SD * plain["days"], _DAYS_SD)) if days else _STAND_SD
    if one.kind == "direction":
        low, high = (0.0, np.inf) if one.low > 0 else (-np.inf, 0.0)
    else:
        low, high = one.bounds(plain["days"], plain["stand"])
        if not days:
            base = one.dry_stand if one.dry_stand is not None else plain["stand"]
            low, high = (_log_odds(base + change) - _log_odds(base) for change in (low, high))
        if one.low != 0.0 and np.isfinite(high):
            # A printed range tells how trials differ; its middle is the figure.
            sd = float(np.hypot(sd, 0.5 * (high - low)))
            low = high = 0.5 * (low + high)
    return EffectRow(
        low=low - offset, high=high - offset, sd=sd, weight=weight, dry=dry,
        crop=one.crop, relatives=one.relatives, source=one.source,
    )  # fmt: skip


def _modelled(one: PublishedEffect, changed: dict[str, float]) -> dict[str, float]:
    """Effect of a handling at the middle of the crop's parameters, without effects but these."""
    crop = find_crop(one.stands_for)
    values = {
        name: np.array([value])
        for name, value in (crop.estimate.centre() | _NEUTRAL | changed).items()
    }
    rates = ResponseDraws.from_draws(crop.response, values)
    clock = ConstantClock(draws=rates, temperature_C=one.bed_C)
    viability = np.array([typical_viability(crop.name)])
    half, share = {}, {}
    for name, handling in (("dry", Handling()), ("handled", one.handling)):
        state = seed_state(crop, values, rates, handling, depth_cm=1.27)
        half[name] = clock.cross(0.0, state.needed(np.array([[0.5]])))[:, 0]
        share[name] = stand_share(
            crop, values, state, clock, planted_h=0.0, half_h=half[name], viability=viability
        )
    pace = float(rates.at(one.bed_C)[0])
    days = float(half["dry"][0] / 24.0)
    effect = float(half["dry"][0] - half["handled"][0]) / 24.0
    if one.measure == "stand":
        effect = _log_odds(float(share["handled"][0])) - _log_odds(float(share["dry"][0]))
    return {
        "effect": effect,
        "days": days,
        "stand": float(share["dry"][0]),
        "indoors_d": float(_indoors(values)[0]) / pace,
    }


def _indoors(values: dict[str, FloatArray]) -> FloatArray:
    """Thermal time from wetting the seed to a radicle of the usual length. [C d]"""
    germination = values["germination_share"] * values["thermal_time_50_Cd"]
    return np.asarray(germination + PLANTING_RADICLE_MM / values["radicle_mm_per_Cd"])


def _log_odds(share: float) -> float:
    inside = min(max(share, 0.01), 0.99)
    return float(np.log(inside / (1.0 - inside)))


def parameters_of(
    fits: dict[str, FittedEffect], stands_for: str, crop: str, relatives: str
) -> dict[str, tuple[float, float]]:
    """Value and sd of every fitted handling parameter of a crop, on the parameters' own scales."""
    soak_stand = "soak_stand_sensitive" if relatives in SENSITIVE else "soak_stand"
    found = {
        "soak_credit": fits["soak_credit"].of(crop, relatives),
        "soak_stand": fits[soak_stand].of(crop, relatives),
        "sprout_stand": fits["sprout_stand"].of(crop, relatives),
    }
    for name, dry in _DRY_OF.items():
        draws = fits[name].dry
        found[dry] = float(draws.mean()), max(_DRY_LEAST_SD, float(draws.std()))
    kept, spread = fits["sprout_kept"].of(crop, relatives)
    lost = max(1.0 - kept, 0.03)
    values = {k: np.array([v]) for k, v in find_crop(stands_for).estimate.centre().items()}
    found["handling_delay_Cd"] = (
        lost * float(_indoors(values)[0]),
        float(np.clip(spread / lost, 0.3, 0.6)),
    )
    return found


def fit_all(
    leave_out: str = "", known: dict[str, FittedEffect] | None = None
) -> dict[str, FittedEffect]:
    """Fit every effect; those that a source has no part in are taken from ``known``."""
    fits = {}
    for name, prior in PRIORS.items():
        rows = effect_rows(name, leave_out)
        if known is not None and len(rows) == len(effect_rows(name)):
            fits[name] = known[name]
        else:
            fits[name] = fit_effect(rows, prior)
    return fits


def field_factors() -> dict[str, tuple[float, float, tuple[str, ...]]]:
    """Mean log odds of field emergence over germination, its sd in one more season, and sources."""
    rows = [row for row in reference_rows(FIELD_FILE) if row["measure"] == "ratio"]
    found = {}
    for name in catalogue():
        mine = [row for row in rows if row["crop"] == name]
        precision, total = _BETWEEN_CROPS_SD**-2, _ALL_CROPS_LOG_ODDS * _BETWEEN_CROPS_SD**-2
        for row in mine:
            low, high = float(row["low"]), min(float(row["high"]), 0.95)
            middle = _log_odds(float(row["figure"])) if row["figure"] else 0.5 * (
                _log_odds(low) + _log_odds(high)
            )  # fmt: skip
            precision += _YEARS / _SEASON_SD**2
            total += middle * _YEARS / _SEASON_SD**2
        sd = float(np.hypot(_SEASON_SD, precision**-0.5))
        found[name] = total / precision, sd, tuple(row["source_id"] for row in mine)
    return found


def _grades(parameter: str, crop: str, relatives: str) -> dict[str, Any]:
    """Grade of a crop's parameter: measured, from relatives or from all crops, with sources."""
    effect = {"handling_delay_Cd": "sprout_kept"} | {dry: name for name, dry in _DRY_OF.items()}
    sprouted = effect.get(parameter, parameter).startswith("sprout")
    stand = parameter.endswith("stand")
    rows = [
        one
        for one in published_effects()
        if one.sprouted == sprouted and (one.measure == "stand") == stand
        and (parameter not in _DRY_OF.values() or one.handling.dry_bed)
    ]  # fmt: skip
    own = [one for one in rows if one.crop == crop]
    kin = [one for one in rows if one.relatives == relatives and relatives and one.crop != crop]
    grade, used = ("measured", own) if own else ("relatives", kin) if kin else ("all crops", rows)
    sources = sorted({one.source for one in used})
    return {
        "grade": grade,
        "sources": len(sources),
        "source_ids": ";".join(sources) if grade != "all crops" else "",
        "field_ids": ";".join(sorted({one.source for one in used if one.in_field}))
        if grade != "all crops"
        else "",
        "relatives": ";".join(sorted({one.crop for one in kin})) if grade == "relatives" else "",
    }


def build(folder: Path) -> None:
    """Write both tables into a folder."""
    traits = {row["crop"]: row["relatives"] for row in reference_rows("crops.csv")}
    fits = fit_all()
    field = field_factors()
    lines: list[dict[str, Any]] = []
    for name in catalogue():
        for parameter, (value, spread) in parameters_of(fits, name, name, traits[name]).items():
            lines.append(
                {"crop": name, "parameter": parameter, **_figures(value, spread),
                 **_grades(parameter, name, traits[name])}
            )  # fmt: skip
        mean, sd, sources = field[name]
        lines.append(
            {"crop": name, "parameter": "field_factor",
             **_figures(1.0 / (1.0 + np.exp(-mean)), sd),
             "grade": "measured" if sources else "all crops",
             "sources": len(sources) or 1, "source_ids": ";".join(sources),
             "field_ids": ";".join(sources), "relatives": ""}
        )  # fmt: skip
    _write(folder / EFFECTS_FILE, lines)
    left: list[dict[str, Any]] = []
    for source in sorted({one.source for one in published_effects()}):
        without = fit_all(source, fits)
        cases = {
            (one.stands_for, one.crop, one.relatives)
            for one in published_effects()
            if one.source == source
        }
        for stands_for, crop, relatives in sorted(cases):
            mine = parameters_of(without, stands_for, crop, relatives)
            left.extend(
                {"left_out": source, "crop": crop, "stands_for": stands_for,
                 "parameter": parameter, **_figures(value, spread)}
                for parameter, (value, spread) in mine.items()
            )  # fmt: skip
    _write(folder / LEFT_OUT_FILE, left)


def _figures(value: float, spread: float) -> dict[str, str]:
    return {"value": f"{value:.3g}", "spread": f"{spread:.2g}"}


def _write(path: Path, lines: Sequence[dict[str, Any]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, list(lines[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(lines)


if __name__ == "__main__":
    build(Path(__file__).parents[1])
