"""The season page: one HTML file with what to do, every row, the trials, and the sources."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from thermosprout.crops.crop import PACKET_FIRST, each_once
from thermosprout.dates import day_range, day_words
from thermosprout.planning.evidence import CropEvidence
from thermosprout.planning.this_week import Kind, Task, Week
from thermosprout.quantities import Units, fahrenheit, show_length
from thermosprout.reports.pages import method_html, offline_page
from thermosprout.reports.row_picture import row_picture
from thermosprout.reports.trial_figures import trial_picture
from thermosprout.reports.words import (
    STAGE_WORDS,
    UNKNOWN,
    estimate_words,
    iso_day,
    percent_spread,
    spread,
    stage_range,
)
from thermosprout.season.forecast import EmergenceCurve

KIND_CLASS = {
    Kind.STOP: "stop",
    Kind.SOAK: "water",
    Kind.SPROUT: "water",
    Kind.LOOK: "look",
    Kind.SOW: "plant",
    Kind.PLANT: "plant",
    Kind.EXPECT: "expect",
}

_UNCLEAR = "No clear "
"""How a sentence on a comparison without a clear difference begins."""


@dataclass(frozen=True, kw_only=True)
class TrialReport:
    """One trial with its result as the analysis tells it (plain data)."""

    title: str
    result: Mapping[str, Any]


@dataclass(frozen=True, kw_only=True)
class SeasonReport:
    """All that the page is filled from.

    Attributes
    ----------
    document : dict
        The forecast's JSON document, with ``soil_checks`` where there are any.
    curves : sequence of EmergenceCurve
        One for each row of the document, in the same order.
    evidence : dict
        By the names in ``row_evidence``.
    row_evidence, row_lots : sequence of str
        For each row, the name of its evidence and what is known of its seed.
    """

    title: str
    document: Mapping[str, Any]
    curves: Sequence[EmergenceCurve]
    week: Week
    evidence: Mapping[str, CropEvidence]
    row_evidence: Sequence[str]
    row_lots: Sequence[str]
    trials: Sequence[TrialReport] = ()
    imprint: str = ""
    units: Units = Units.METRIC


def season_page(report: SeasonReport) -> str:
    """Fill the page: no script, no request, every text shown as text."""
    rows = [_row(report, index) for index in range(len(report.curves))]
    anchors = {row["row"]: row["anchor"] for row in rows}
    beds: dict[str, list[dict[str, Any]]] = {}
    for row in rows:
        beds.setdefault(row["bed"] or "", []).append(row)
    as_of = datetime.fromisoformat(report.document["as_of"])
    return offline_page(
        "season_page.html.j2",
        styles=("house.css", "season_page.css"),
        title=report.title,
        site=report.document["site"],
        as_of=f"{as_of:%A} {as_of.day} {as_of:%B %Y}",
        span=day_range(report.week.today, report.week.last),
        days=_days(report.week.now, anchors, report.week.today),
        later=_days(report.week.later, anchors, report.week.today),
        cautions=_cautions((*report.week.now, *report.week.later)),
        beds=list(beds.items()),
        trials=[_trial(index, trial) for index, trial in enumerate(report.trials)],
        notes=report.document["notes"],
        soil_doubts=report.document.get("soil_checks", ()),
        evidence=[
            (f"crop-{index}", item) for index, item in enumerate(report.evidence.values(), 1)
        ],
        method=method_html(),
        imprint=report.imprint,
    )


def _days(
    tasks: Sequence[Task], anchors: Mapping[str, str], today: date
) -> list[tuple[str, list[dict[str, Any]]]]:
    """Tasks gathered by day, those that say the same of several rows told once."""
    days: dict[date, dict[tuple[Any, ...], dict[str, Any]]] = {}
    for task in tasks:
        same = days.setdefault(task.day, {})
        key = (task.kind, task.called, task.treatment, task.sentence, task.why, task.until)
        entry = same.setdefault(key, {"task": task, "class": KIND_CLASS[task.kind], "rows": []})
        entry["rows"].append((task.row, anchors.get(task.row, "rows")))
    return [
        ("Today" if day == today else f"{day:%A} {day_words(day)}", list(same.values()))
        for day, same in days.items()
    ]


def _cautions(tasks: Sequence[Task]) -> list[tuple[str, str]]:
    """Cautions of the handled seed, each once with the crops it is for."""
    crops: dict[str, dict[str, None]] = {}
    for task in tasks:
        for caution in task.cautions:
            crops.setdefault(caution, {})[task.called] = None
    # What comes first of all stands at the foot of the page, for every crop.
    return [(text, ", ".join(crops[text])) for text in each_once(crops) if text != PACKET_FIRST]


def _row(report: SeasonReport, index: int) -> dict[str, Any]:
    row, curve = report.document["rows"][index], report.curves[index]
    stages = [(STAGE_WORDS[stage], *_span(row["stages"][stage])) for stage in STAGE_WORDS]
    soil_C = row["soil"]["mean_C"]
    return {
        **row,
        "anchor": f"row-{index + 1}",
        "planted": iso_day(row["planted"]),
        "started": iso_day(row["started"]) if row["treatment"] != "direct" else "",
        "depth": show_length(row["depth_cm"], report.units),
        "stages": stages,
        "since_planted": _day_count(row["days_since_planted"]["half"]),
        "since_started": _day_count(row["days_since_started"]["half"]),
        "plants": _plants(row["stand"], row["seeds_planted"]),
        "stand": percent_spread(row["stand"]),
        "wait": iso_day(row["wait_until"]),
        "soil": f"{soil_C:.1f} °C ({fahrenheit(soil_C):.0f} °F)",
        "soil_source": row["soil"]["source"],
        "counts": [(iso_day(item["inspected"]), item["emerged"]) for item in row["counts"]],
        "picture": row_picture(curve),
        "picture_words": _picture_words(row, stages, curve),
        "lot": report.row_lots[index],
        "evidence": f"crop-{list(report.evidence).index(report.row_evidence[index]) + 1}",
        "evidence_name": report.row_evidence[index],
    }


def _picture_words(
    row: Mapping[str, Any], stages: Sequence[tuple[str, str, str]], curve: EmergenceCurve
) -> str:
    """What the picture shows, for those who cannot see it."""
    stages_words = "; ".join(
        f"{name} {likely}" + (f" ({span})" if span else "") for name, likely, span in stages
    )
    words = f"Seedlings per 100 seeds planted through time: {stages_words}."
    if len(curve.soil_C):
        low, high = curve.soil_C.min(), curve.soil_C.max()
        words += f" Daily mean soil temperature {low:.0f} to {high:.0f} °C."
    if curve.counts:
        words += f" Last counted: {row['counts'][-1]['emerged']} seedlings."
    return words


def _plants(stand: Mapping[str, float], seeds: int) -> str:
    middle = f"{stand['p50'] * seeds:.0f}"
    return (
        f"{middle} {'plant' if middle == '1' else 'plants'} ({stand['p10'] * seeds:.0f}–"
        f"{stand['p90'] * seeds:.0f}) from {seeds} seeds planted"
    )


def _span(stage: Mapping[str, str | None]) -> tuple[str, str]:
    """Most likely day and 80 % range of a stage."""
    return iso_day(stage["p50"]), stage_range(stage) if stage["p10"] else ""


def _day_count(days: Mapping[str, float | None]) -> str:
    return UNKNOWN if days["p50"] is None else f"{spread(days)} days"


_TRIAL_MEASURES = (
    ("stand", "stand per seed planted"),
    ("stand_per_started", "stand per seed started"),
    ("t50_since_planted_d", "half emergence, days since planted"),
    ("t50_since_started_d", "half emergence, days since started"),
    ("thermal_time_50_Cd", "thermal time since planted, °C d"),
)


def _trial(index: int, trial: TrialReport) -> dict[str, Any]:
    result, treatments = trial.result, trial.result["treatments"]
    measures = [item for item in _TRIAL_MEASURES if any(t.get(item[0]) for t in treatments)]
    return {
        **result,
        "anchor": f"trial-{index + 1}",
        "title": trial.title,
        # Clear differences come first; the rest is a tap away where it is long.
        "sentences": [text for text in result["verdict"] if not text.startswith(_UNCLEAR)],
        "unclear": [text for text in result["verdict"] if text.startswith(_UNCLEAR)],
        "labels": [item["treatment"] for item in treatments],
        # A measure a line: a phone has room for the columns of a few treatments.
        "lines": [
            ("plots", [item["plots"] for item in treatments]),
            ("seeds planted", [item["seeds_planted"] for item in treatments]),
            *((name, [_value(key, t.get(key)) for t in treatments]) for key, name in measures),
        ],
        "picture": trial_picture(treatments),
        "interval": f"{100 * result['interval']:.0f} %",
    }


def _value(key: str, value: Mapping[str, float | None] | None) -> str:
    large = value is not None and (value["estimate"] or 0.0) >= 100
    return estimate_words(value, 0 if large else 1, share=key.startswith("stand"))
