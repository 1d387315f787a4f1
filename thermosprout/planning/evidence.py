"""What is known of each crop and by whom, and the trial that settles an open choice."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from thermosprout.crops.catalogue import handling_evidence
from thermosprout.crops.crop import Crop
from thermosprout.crops.estimate import PARAMETERS
from thermosprout.crops.seed_lots import SeedLot
from thermosprout.emergence.treatments import Treatment
from thermosprout.errors import InputError
from thermosprout.planning.compare import WORTH_DAYS, Comparison
from thermosprout.quantities import percent
from thermosprout.season.forecast import RowAnswer, SeasonForecast

_FIGURES = (
    ("t_base_C", "base temperature", "{:.1f} °C", "{:.1f} to {:.1f} °C"),
    (
        "thermal_time_50_Cd",
        "thermal time to half emergence",
        "{:.0f} °C d",
        "{:.0f} to {:.0f} °C d",
    ),
    ("germination_share", "of it to germination", "{:.0f} %", "{:.0f} to {:.0f} %"),
    ("field_factor", "live seed that comes up in a good bed", "{:.0f} %", "{:.0f} to {:.0f} %"),
    ("soak_credit", "share of soak credited", "{:.0f} %", "{:.0f} to {:.0f} %"),
)
"""Figures a grower may want to see, of the many in an estimate."""

HOW_KNOWN = {
    "page": "read in the source",
    "memory": "from memory, not checked",
    "assumption": "assumed, with a wide spread",
    "relatives": "no measurement of it: taken from its relatives",
    "all crops": "no measurement of it or its relatives: as other crops",
    "records": "own records",
}

_PARAMETER = re.compile("|".join(sorted(map(re.escape, PARAMETERS), key=len, reverse=True)))


@dataclass(frozen=True, kw_only=True)
class CropEvidence:
    """What stands behind the dates of one crop (or of a variety or lot with its own estimate).

    Attributes
    ----------
    figures : tuple of (name, value, interval)
        Words, with nine in ten odds for the interval.
    sources : tuple of (what, source, how known)
    handling : tuple of str
        What soaking and sprouting rest on.
    """

    name: str
    latin_name: str
    response: str
    figures: tuple[tuple[str, str, str], ...]
    sources: tuple[tuple[str, str, str], ...]
    cautions: tuple[str, ...]
    handling: tuple[str, ...] = ()


def season_evidence(result: SeasonForecast) -> dict[str, CropEvidence]:
    """Evidence for each estimate a season uses, by the name :func:`evidence_name` gives."""
    crops = {evidence_name(answer): answer.crop for answer in reversed(result.rows)}
    return {name: crop_evidence(crop, name) for name, crop in sorted(crops.items())}


def evidence_name(answer: RowAnswer) -> str:
    """Name of the crop, with the variety or lot where the estimate is theirs."""
    estimate = answer.crop.estimate
    return " ".join(filter(None, (answer.crop.name, estimate.variety, estimate.seed_lot)))


def crop_evidence(crop: Crop, name: str = "") -> CropEvidence:
    """Evidence for one crop."""
    centre = crop.estimate.centre()
    figures = []
    for key, words, one, two in _FIGURES:
        low, high = crop.estimate.interval(key)
        scale = 100.0 if one.endswith("%") else 1.0
        value = one.format(scale * centre[key])
        figures.append((words, value, two.format(scale * low, scale * high)))
    return CropEvidence(
        name=name or crop.name,
        latin_name=crop.latin_name,
        response=crop.response_reason,
        figures=tuple(figures),
        sources=tuple(_merged((s.what, s.source, s.verified) for s in crop.estimate.provenance)),
        cautions=crop.cautions,
        handling=handling_grounds(crop, ("soaking", "sprouting")),
    )


def handling_grounds(crop: Crop, handlings: Iterable[str]) -> tuple[str, ...]:
    """What an advice on ``soaking`` or ``sprouting`` rests on, one sentence each.

    Own records, where the estimate has any, come on top of the published results.
    """
    own = [item for item in crop.estimate.provenance if item.verified == "records"]
    more = " Your own records count as well." if own else ""
    known = (handling_evidence(crop.name, one) for one in handlings)
    return tuple(replace(one, crop=crop.common_name).sentence() + more for one in known)


def _merged(sources: Iterable[tuple[str, str, str]]) -> list[tuple[str, str, str]]:
    """Sources with what they are for gathered, so that none is printed over and over."""
    gathered: dict[tuple[str, str], list[str]] = {}
    for what, source, verified in sources:
        gathered.setdefault((source, verified), []).append(
            _PARAMETER.sub(lambda match: PARAMETERS[match[0]].label, what)
        )
    return [
        ("; ".join(what), source, HOW_KNOWN.get(verified, verified))
        for (source, verified), what in gathered.items()
    ]


def lot_words(lot: SeedLot | None) -> str:
    """What is known of a row's seed, in a phrase."""
    if lot is None:
        return "no seed lot named: viability as is usual for the crop"
    parts = [f"lot {lot.id}"]
    if lot.seeds_tested is not None and lot.seeds_germinated is not None:
        parts.append(f"{lot.seeds_germinated} of {lot.seeds_tested} seeds germinated in a test")
    elif lot.germination is not None:
        parts.append(f"germination {percent(lot.germination)}, seeds tested unknown")
    else:
        parts.append("germination not tested")
    if lot.year is not None:
        parts.append(f"harvested {lot.year}")
    if lot.storage is not None:
        parts.append(f"kept in: {lot.storage}")
    if lot.dressed:
        parts.append("dressed seed")
    return ", ".join(parts)


HANDLING_WORDS = {Treatment.SOAKED: "soaking", Treatment.PRESPROUTED: "sprouting"}

_SIMULATED = 600
"""Simulated trials; with fewer, chance picks a size that falls short of its 80 % power."""

_SURE = 0.9


def grounds(comparison: Comparison) -> tuple[str, ...]:
    """One line on what each handling rests on, and one on the trial that settles the choice."""
    crop = comparison.setting.crop
    treatments = dict.fromkeys(o.option.handling.treatment for o in comparison.outcomes)
    handlings = [HANDLING_WORDS[one] for one in treatments if one in HANDLING_WORDS]
    trial = _settling_trial(comparison)
    return (*handling_grounds(crop, handlings), *([trial] if trial else []))


def _settling_trial(comparison: Comparison) -> str | None:
    """Name the smallest trial that shows the difference at stake, where none was measured.

    The choice rests on an assumption where the handling was not measured for the crop and the days
    that it gains may as well be worth acting on as not. The difference at stake is the gain in the
    middle, and at least what is worth acting on.
    """
    crop = comparison.setting.crop
    for index, outcome in enumerate(comparison.outcomes):
        treatment = outcome.option.handling.treatment
        handling = HANDLING_WORDS.get(treatment)
        if handling is None or handling_evidence(crop.name, handling).grade == "measured":
            continue
        gain = comparison.gains[index].emergence_d
        weights = outcome.row.weights[np.isfinite(gain)]
        gain = gain[np.isfinite(gain)]
        if gain.size < 10:
            continue
        worth = float(weights[gain >= WORTH_DAYS].sum() / weights.sum())
        if 1.0 - _SURE < worth < _SURE:
            return _trial_sentence(comparison, treatment, max(WORTH_DAYS, float(np.median(gain))))
    return None


def _trial_sentence(comparison: Comparison, treatment: Treatment, days: float) -> str | None:
    from thermosprout.trials.power import Trial, smallest_trial, truths_of

    setting, row = comparison.setting, comparison.outcomes[0].row
    soil_C = round(float(row.soil_mean_C()), 1)
    days = round(days, 1)
    try:
        truths = truths_of(setting.crop, soil_C, depth_cm=setting.depth_cm, trials=_SIMULATED)
    except InputError:
        return None
    smallest = smallest_trial(Trial(), truths, np.random.default_rng(1), later_d=-days)
    start = f"Whether {HANDLING_WORDS[treatment]} pays here rests on an assumption"
    gain = "1 day" if days == 1.0 else f"{days:g} days"
    if smallest is None:
        return (
            f"{start}, and even a trial of 20 blocks with 200 seeds a plot would not show {gain}."
        )
    trial = smallest.trial
    return (
        f"{start}: a trial of {trial.blocks} blocks, direct beside {treatment.value}, with "
        f"{trial.seeds} seeds a plot has 80 % power to show {gain} (`thermosprout trial design` "
        "plans it)."
    )
