"""Fit the crop catalogue to the published tables and write ``reference_data/catalogue.json``.

Parameters that no table gives are assumptions by seed size, plant group or crop, with reasons.

Run as ``python -m reference_data.build.catalogue [OUT.json]``.
"""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from scipy.special import ndtri
from scipy.stats import qmc

from reference_data.build import catalogue_response as fitting
from reference_data.build.catalogue_response import StandCurve, fit_stand
from reference_data.build.published_evidence import Evidence, gather
from thermosprout.calibration.crop_curve import DAY_TABLE, Row
from thermosprout.crops.catalogue import CATALOGUE_FILE
from thermosprout.crops.estimate import NAMES, PARAMETERS
from thermosprout.emergence.response import Shape
from thermosprout.files import reference_file, reference_rows, write_atomic
from thermosprout.quantities import FloatArray


@dataclass(frozen=True, kw_only=True)
class Assumed:
    """Value in natural units, sd on the parameter's scale, and where they come from."""

    value: float
    spread: float
    what: str
    source: str
    verified: str


def assumed(parameter: str, traits: Row, sources: dict[str, str]) -> Assumed:
    """Return the value for a crop: fitted to published effects, else assumed.

    What ``reference_data.build.handling`` fitted comes first. An assumption is the crop's own row,
    else its group's, else its seed size's.

    Parameters
    ----------
    traits : dict
        The crop's row of ``crops.csv``.
    sources : dict of str to str
        Source id to citation.
    """
    for row in reference_rows("handling_effects.csv"):
        if row["crop"] == traits["crop"] and row["parameter"] == parameter:
            return _fitted(row, sources)
    order = (traits["crop"], traits["plant_group"], traits["seed_size"])
    rows = {
        r["applies_to"]: r for r in reference_rows("assumptions.csv") if r["parameter"] == parameter
    }
    for group in order:
        if group in rows:
            row = rows[group]
            cited = sources.get(row["source_id"], "")
            return Assumed(
                value=float(row["value"]),
                spread=float(row["spread"]),
                what=parameter,
                source="; ".join(text for text in (f"{group}: {row['reason']}", cited) if text),
                verified=row["verified"],
            )
    generic = PARAMETERS[parameter]
    return Assumed(
        value=generic.typical,
        spread=generic.spread,
        what=parameter,
        source="generic prior of the model; wide, for records to narrow",
        verified="assumption",
    )


def _fitted(row: Row, sources: dict[str, str]) -> Assumed:
    """Value of a fit to published effects, with the works it rests on."""
    works = "; ".join(sources[one] for one in row["source_ids"].split(";") if one)
    texts = {
        "measured": f"measured: {works}",
        "relatives": f"from its relatives ({row['relatives'].replace(';', ', ')}): {works}",
        "all crops": "from all crops of reference_data/presowing_evidence.csv and field_stand.csv",
    }
    return Assumed(
        value=float(row["value"]),
        spread=float(row["spread"]),
        what=row["parameter"],
        source=texts[row["grade"]],
        verified={"measured": "page"}.get(row["grade"], row["grade"]),
    )


FITTED = NAMES[: fitting.SIZE]
"""Parameters of the temperature response, which the tables determine; the rest are assumed."""

BETWEEN_LOTS = np.array([1.0, 0.05, 0.10, 0.10, 0.22])
"""What varieties and seed lots differ in beside the fit's own error, in the order of ``FITTED``
with ln days at the pivot temperature in place of ln thermal time. Base temperature: snap bean
lots 5.1 to 9.6 °C (Raveneau et al. 2011), peanut 8 to 11.5 °C (Mohamed et al. 1988), four broad
bean cultivars 1.0 to 1.6 °C. Speed: three types of pea 31 to 56 C d (2025), sound and aged
fenugreek 37.5 and 44.7 C d: pooled sd of ln 0.26, taken a
little lower since types of pea are more than lots. Gaps and curvature: assumption."""

LOTS_SOURCES = ("raveneau2011", "mohamed1988", "pea2025")
"""Works that ``BETWEEN_LOTS`` rests on, so far as it is no assumption."""

PIVOT = {"warm": 24.0, "cool": 18.0}
"""Where lots of one crop differ in speed alone: a lot with another base is as fast here. [degC]"""

USUAL = {"warm": (18.0, 22.0, 26.0), "cool": (10.0, 15.0, 20.0)}
"""Sowing temperatures of crops without published days. [degC]"""

SOURCE_ERROR = {True: 0.0, False: 0.20}
"""More spread of ln days for a crop without its own day table."""


def fit_catalogue() -> dict[str, Any]:
    """Fit every crop and return the catalogue document."""
    evidence = gather()
    tabled = {name: e for name, e in evidence.items() if _in_day_table(e)}
    priors, fits = {}, {}
    for shape in fitting.SHAPES:
        priors[shape], fits[shape] = fitting.fit_together(shape, tabled)
    sources = {row["source_id"]: row["source"] for row in reference_rows("sources.csv")}
    entries = []
    for name, one in evidence.items():
        others = {p: assumed(p, one.traits, sources) for p in NAMES[fitting.SIZE :]}
        by_shape: dict[Shape, fitting.Fit] = {}
        for shape in fitting.SHAPES:
            by_shape[shape] = fits[shape].get(name) or fitting.fit_shape(
                one,
                shape,
                priors[shape][one.season],
                depth_cost=others["depth_cost_Cd_per_cm"].value,
                germination_share=others["germination_share"].value,
            )
        entries.append(_entry(one, by_shape, others, sources))
    return {
        "made_by": "python -m reference_data.build.catalogue",
        "parameters": list(NAMES),
        "crops": sorted(entries, key=lambda entry: entry["name"]),
    }


def _in_day_table(evidence: Evidence) -> bool:
    return any(cell.source == DAY_TABLE for cell in evidence.cells)


def _entry(
    one: Evidence,
    by_shape: dict[Shape, fitting.Fit],
    others: dict[str, Assumed],
    sources: dict[str, str],
) -> dict[str, Any]:
    """One crop of the catalogue as it is written."""
    fit = fitting.choose_shape(by_shape) if one.has_day_table else by_shape["linear"]
    traits = one.traits
    limit = float(traits["chilling_limit_C"]) if traits["chilling_limit_C"] else None
    base = float(fit.point[fitting.BASE])
    ceiling = base + float(
        np.exp(fit.point[fitting.OPT_GAP]) + np.exp(fit.point[fitting.CEILING_GAP])
    )
    stand = fit_stand(
        one,
        base=base,
        ceiling=ceiling,
        chilling_limit=limit,
        hazard=others["chilling_loss_per_C"].value,
    )
    mean, covariance = _estimate(one, fit, others)
    practice, practice_sources = _practice(traits, sources)
    return {
        "name": one.crop,
        "latin_name": traits["latin_name"],
        "aliases": [alias for alias in traits["aliases"].split(";") if alias],
        "response": fit.shape,
        "response_reason": _reason(one, by_shape, fit),
        "season": traits["season"],
        "seed_size": traits["seed_size"],
        "tender": traits["tender"] == "1",
        "chilling_sensitive": limit is not None,
        "chilling_limit_C": limit if limit is not None else round(base, 1),
        "harmed_by_soaking": traits["harmed_by_soaking"] == "1",
        "safe_soak_h": float(traits["safe_soak_h"]),
        "stand_low_C": round(stand.low, 2),
        "stand_low_width_C": round(stand.low_width, 3),
        "stand_high_C": round(stand.high, 2),
        "stand_high_width_C": round(stand.high_width, 3),
        "cautions": _cautions(traits),
        "practice": practice,
        "estimate": {"mean": mean, "covariance": covariance},
        "provenance": [
            *_temperature_provenance(one, sources),
            _stand_provenance(one, stand, sources),
            *_trait_provenance(traits, sources),
            *practice_sources,
            *_assumed_provenance(others.values()),
            _plain(
                "spread between varieties and lots",
                "sd of base 1 C, of ln days 0.22 (0.30 without a day table), shape 0.05 to 0.1; in "
                "part from " + "; ".join(sources[one] for one in LOTS_SOURCES),
                "assumption",
            ),
        ],
    }


def _estimate(
    one: Evidence, fit: fitting.Fit, others: dict[str, Assumed]
) -> tuple[dict[str, float], list[list[Any]]]:
    """Mean and upper triangle of the covariance, on the parameters' own scales."""
    mean = dict(zip(FITTED, (float(x) for x in fit.point), strict=True))
    mean |= {name: float(PARAMETERS[name].transform(a.value)) for name, a in others.items()}
    covariance = fit.covariance + lot_covariance(
        fit.shape, fit.point, PIVOT[one.season], SOURCE_ERROR[one.has_day_table]
    )
    mean["thermal_time_50_Cd"] -= median_excess(
        fit.shape, fit.point, covariance, [c.temperature for c in one.cells] or USUAL[one.season]
    )
    triangle: list[list[Any]] = [
        [FITTED[i], FITTED[j], _round(covariance[i, j])]
        for i in range(fitting.SIZE)
        for j in range(i, fitting.SIZE)
    ]
    triangle += [[name, name, _round(a.spread**2)] for name, a in others.items()]
    return {name: _round(mean[name]) for name in NAMES}, triangle


def median_excess(
    shape: Shape, point: FloatArray, covariance: FloatArray, temperatures: Sequence[float]
) -> float:
    """How much the median of ln days over lots exceeds that of the middle lot.

    The response bends, so that lots that differ in base, optimum and ceiling are on the whole a
    little slower than the lot in their middle. Published days are those of the median lot.

    Parameters
    ----------
    point, covariance : ndarray, shapes (5,) and (5, 5)
        Transformed parameters of the temperature response.
    temperatures : sequence of float
        Where the days are known; the middle of the excesses there is returned. [degC]
    """
    uniform = qmc.Sobol(fitting.SIZE, scramble=False).random_base2(9)[1:]
    lots = point + ndtri(uniform) @ np.linalg.cholesky(covariance).T
    days = np.array([fitting.ln_days(shape, lot, temperatures) for lot in lots])
    excess = np.median(days, axis=0) - fitting.ln_days(shape, point, temperatures)
    return float(np.median(excess))


def lot_covariance(
    shape: Shape, point: FloatArray, pivot: float, source_error: float
) -> FloatArray:
    """Covariance of what varieties and lots differ in, turned to thermal time.

    Parameters
    ----------
    point : ndarray, shape (5,)
        Transformed parameters of the temperature response.
    pivot : float
        Temperature at which a change of base, gaps or curvature leaves the days alone. [degC]

    Returns
    -------
    ndarray, shape (5, 5)
    """
    steps = np.array([0.05, 0.005, 0.005, 0.005])
    turn = np.eye(fitting.SIZE)
    for i, step in enumerate(steps):
        up, down = point.copy(), point.copy()
        up[i] += step
        down[i] -= step
        days_up, days_down = (fitting.ln_days(shape, p, [pivot])[0] for p in (up, down))
        turn[fitting.THETA, i] = -(days_up - days_down) / (2 * step)
    sd = BETWEEN_LOTS.copy()
    sd[fitting.THETA] = np.hypot(sd[fitting.THETA], source_error)
    return np.asarray(turn @ np.diag(sd**2) @ turn.T)


def _reason(one: Evidence, by_shape: dict[Shape, fitting.Fit], fit: fitting.Fit) -> str:
    if not one.has_day_table:
        known = "too few temperatures were timed" if one.cells else "only bases and sums are known"
        return f"straight line, since {known}"
    linear, beta = by_shape["linear"], by_shape["beta"]
    odds = linear.log_evidence - beta.log_evidence
    misses = (
        f"a curve misses the day table by {100 * beta.misfit:.0f} %, a straight line by "
        f"{100 * linear.misfit:.0f} % (root mean square)"
    )
    if fit.shape == "linear":
        return (
            f"straight line: {misses}, but with published bases and cells without germination the "
            "odds for the line pass 1000 to 1"
        )
    favoured = f"{np.exp(-odds):.0f}" if -odds < np.log(1000.0) else "more than 1000"
    reason = f"smooth curve: {misses}; the odds for the curve are {favoured} to 1"
    if odds > 0:
        reason = f"smooth curve: {misses}; the odds for the line do not reach 1000 to 1"
    coldest = min(cell.temperature for cell in one.cells)
    if coldest <= 0.0:
        reason += "; it came up at 0 °C, so the curve ends below freezing, where no row moves on"
    return reason


def _cautions(traits: Row) -> list[str]:
    special = {
        "kidney": "Raw beans of this kind are poisonous: keep soaked or sprouted seed away from "
        "food, children and animals.",
        "favism": "Raw broad beans can make people with favism seriously ill.",
    }
    cautions = [special[traits["caution"]]] if traits["caution"] else []
    return cautions


def _temperature_provenance(one: Evidence, sources: dict[str, str]) -> list[dict[str, str]]:
    found = []
    for source in dict.fromkeys(cell.source for cell in one.cells):
        cells = [cell for cell in one.cells if cell.source == source]
        verified = "page" if cells[0].verified == "page" else "memory"
        text = f"days at {len(cells)} temperatures, {_span(cells)}"
        if any(np.isfinite(cell.decimal) for cell in cells):
            text += " (whole days: page; decimals: memory)"
        found.append(_plain(text, sources[source], verified))
    for base in one.bases:
        figure = f"{base.low:g}" if base.low == base.high else f"{base.low:g} to {base.high:g}"
        found.append(
            _plain(f"t_base_C {figure} ({base.stage})", sources[base.source], base.verified)
        )
    for item in one.fitted_sums:
        found.append(
            _plain(
                f"heat sum {item.total:g} C d above {item.base:g} C ({item.stage})",
                sources[item.source],
                item.verified,
            )
        )
    if one.minima or one.maxima:
        text = "minimum and maximum of sowing charts, as bounds"
        found.append(_plain(text, sources["osu2024"] + "; " + sources["chart_gc"], "page"))
    return found


def _span(cells: list[Any]) -> str:
    temperatures = [cell.temperature for cell in cells]
    return f"{min(temperatures):g} to {max(temperatures):g} C"


def _stand_provenance(one: Evidence, stand: StandCurve, sources: dict[str, str]) -> dict[str, str]:
    if stand.cells:
        return _plain(
            f"stand by temperature from {stand.cells} shares of normal seedlings",
            sources[DAY_TABLE],
            "page",
        )
    if one.maxima:
        return _plain("stand by temperature", "minimum and maximum of sowing charts", "assumption")
    return _plain("stand by temperature", "base and ceiling of the response", "assumption")


def _trait_provenance(traits: Row, sources: dict[str, str]) -> list[dict[str, str]]:
    found = []
    if traits["chilling_limit_C"]:
        found.append(
            _plain(
                f"chilling limit {traits['chilling_limit_C']} C in the first day of uptake",
                sources.get(traits["chilling_source_id"], "habit of related crops"),
                traits["chilling_verified"],
            )
        )
    found.append(
        _plain(
            f"safe soak {traits['safe_soak_h']} h",
            sources.get(
                traits["soak_source_id"], "large legumes like pea and bean; others a day or less"
            ),
            traits["soak_verified"],
        )
    )
    return found


def _assumed_provenance(others: Iterable[Assumed]) -> list[dict[str, str]]:
    """One line for all parameters of the same source."""
    grouped: dict[tuple[str, str], list[str]] = {}
    for one in others:
        grouped.setdefault((one.source, one.verified), []).append(one.what)
    return [_plain(", ".join(whats), *source) for source, whats in grouped.items()]


def _practice(
    traits: Row, sources: dict[str, str]
) -> tuple[dict[str, float | None], list[dict[str, str]]]:
    """Sowing practice of the first chart that has the crop."""
    fields = (
        "depth_cm",
        "depth_high_cm",
        "spacing_cm",
        "row_spacing_cm",
        "seeds_per_g",
        "days_to_harvest_low",
        "days_to_harvest_high",
    )
    rows = [
        r for r in reference_rows("sowing_practice.csv") if r["crop"] == traits["practice_name"]
    ]
    if not rows:
        depth = float(traits["sum_depth_cm"]) if traits["sum_depth_cm"] else None
        empty: dict[str, float | None] = dict.fromkeys(fields)
        if depth is None:
            return empty, []
        note = _plain("sowing depth", "usual depth of the field crop", "assumption")
        return empty | {"depth_cm": depth, "depth_high_cm": depth}, [note]
    row = rows[0]
    found = [_plain("sowing practice", sources[row["source_id"]], row["verified"])]
    if row["days_to_harvest_low"]:
        found.append(
            _plain("days to harvest", sources[row["days_source_id"]], row["days_verified"])
        )
    return {name: float(row[name]) if row[name] else None for name in fields}, found


def _plain(what: str, source: str, verified: str) -> dict[str, str]:
    return {"what": what, "source": source, "verified": verified}


def _round(value: float) -> float:
    return float(f"{value:.6g}")


def _compact(document: dict[str, Any]) -> str:
    """JSON with one line for each crop's plain figures, so that a new fit can be read as a diff."""
    text = json.dumps(document, indent=1, ensure_ascii=False)
    return re.sub(r'\[\s+("\w+"),\s+("\w+"),\s+(\S+)\s+\]', r"[\1, \2, \3]", text)


def main() -> None:
    """Write the catalogue beside the tables it was fitted to, or to the file named."""
    out = (
        Path(sys.argv[1])
        if len(sys.argv) > 1
        else reference_file("crops.csv").parent / CATALOGUE_FILE
    )
    text = _compact(fit_catalogue())
    write_atomic(out, text + "\n")
    sys.stderr.write(f"wrote {out}\n")


if __name__ == "__main__":
    main()
