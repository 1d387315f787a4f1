"""The season page: one HTML file with what to do, every row, the trials, and the sources."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from thermosprout.crops.crop import PACKET_FIRST, each_once
from thermosprout.planning.evidence import CropEvidence
from thermosprout.planning.this_week import Kind, Task, Week
from thermosprout.quantities import Units, show_length
from thermosprout.reports.pages import method_html, offline_page
from thermosprout.reports.row_picture import RowPicture, row_picture
from thermosprout.reports.trial_figures import TrialPicture, trial_picture
from thermosprout.reports.words import (
    STAGE_WORDS,
    UNKNOWN,
    day_words,
    iso_day,
    percent_spread,
    range_words,
    spread,
    stage_range,
)
from thermosprout.season.forecast import EmergenceCurve
from thermosprout.soil.quality import implausible

KIND_CLASS = {
    Kind.STOP: "stop",
    Kind.SOAK: "water",
    Kind.SPROUT: "water",
    Kind.LOOK: "look",
    Kind.SOW: "plant",
    Kind.PLANT: "plant",
    Kind.EXPECT: "expect",
}

_NOT_SHOWN = "Not shown"


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
        The forecast's JSON document.
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
    made: str = ""
    units: Units = Units.METRIC


def season_page(report: SeasonReport) -> str:
    """Fill the page: no script, no request, every text shown as text."""
    rows = [_row(report, index) for index in range(len(report.curves))]
    anchors = {row["id"]: row["anchor"] for row in rows}
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
        first=day_words(report.week.today),
        last=day_words(report.week.last),
        days=_days(report.week.now, anchors, report.week.today),
        later=_days(report.week.later, anchors, report.week.today),
        cautions=_cautions((*report.week.now, *report.week.later)),
        beds=list(beds.items()),
        trials=[_trial(index, trial) for index, trial in enumerate(report.trials)],
        notes=report.document["notes"],
        soil_doubts=implausible(report.document["notes"]),
        evidence=[
            (_anchor(list(report.evidence), name), item) for name, item in report.evidence.items()
        ],
        method=method_html(),
        made=report.made,
    )


def _anchor(names: Sequence[str], name: str) -> str:
    return f"crop-{names.index(name) + 1}"


def _days(
    tasks: Sequence[Task], anchors: Mapping[str, str], today: date
) -> list[tuple[str, list[dict[str, Any]]]]:
    """Tasks gathered by day, those that say the same of several rows told once."""
    days: dict[date, dict[tuple[Any, ...], dict[str, Any]]] = {}
    for task in tasks:
        same = days.setdefault(task.day, {})
        key = (task.kind, task.called, task.treatment, task.sentence, task.why, task.until)
        entry = same.setdefault(
            key,
            {
                "kind": str(task.kind),
                "class": KIND_CLASS[task.kind],
                "crop": task.called,
                "treatment": task.treatment,
                "sentence": task.sentence,
                "why": task.why,
                "until": day_words(task.until) if task.until else "",
                "rows": [],
            },
        )
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
    stand = row["stand"]
    seeds = row["seeds_planted"]
    picture = row_picture(curve)
    soil_C = row["soil"]["mean_C"]
    return {
        "id": row["row"],
        "anchor": f"row-{index + 1}",
        "crop": row["called"],
        "variety": row["variety"] or "",
        "treatment": row["treatment"],
        "bed": row["bed"] or "",
        "planted": iso_day(row["planted"]),
        "started": iso_day(row["started"]) if row["treatment"] != "direct" else "",
        "depth": show_length(row["depth_cm"], report.units),
        "seeds": seeds,
        "stages": stages,
        "since_planted": _day_count(row["days_since_planted"]["half"]),
        "since_started": _day_count(row["days_since_started"]["half"]),
        "plants": _plants(stand, seeds),
        "stand": percent_spread(stand),
        "wait": iso_day(row["wait_until"]),
        "soil": f"{soil_C:.1f} °C ({soil_C * 1.8 + 32:.0f} °F)",
        "soil_source": row["soil"]["source"],
        "notes": row["notes"],
        "counts": [(iso_day(item["inspected"]), item["emerged"]) for item in row["counts"]],
        "picture": picture,
        "picture_words": _picture_words(row, stages, curve),
        "lot": report.row_lots[index],
        "evidence": _anchor(list(report.evidence), report.row_evidence[index]),
        "evidence_name": report.row_evidence[index],
    }


def _picture_words(
    row: Mapping[str, Any], stages: Sequence[tuple[str, str, str]], curve: EmergenceCurve
) -> str:
    """What the picture shows, for those who cannot see it."""
    stages_words = "; ".join(
        f"{name} {likely}" + (f" ({span})" if span else "") for name, likely, span in stages
    )
    soil = ""
    if len(curve.soil_C):
        soil = (
            f" Daily mean soil temperature {curve.soil_C.min():.0f} to {curve.soil_C.max():.0f} °C."
        )
    counted = ""
    if curve.counts:
        counted = f" Last counted: {row['counts'][-1]['emerged']} seedlings."
    return f"Seedlings per 100 seeds planted through time: {stages_words}.{soil}{counted}"


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


def _trial(index: int, trial: TrialReport) -> dict[str, Any]:
    result = trial.result
    columns = (
        ("stand", "stand per seed planted", 100.0, " %"),
        ("stand_per_started", "stand per seed started", 100.0, " %"),
        ("t50_since_planted_d", "half emergence, days since planted", 1.0, ""),
        ("t50_since_started_d", "half emergence, days since started", 1.0, ""),
        ("thermal_time_50_Cd", "thermal time since planted, °C d", 1.0, ""),
    )
    shown = [column for column in columns if any(t.get(column[0]) for t in result["treatments"])]
    picture: TrialPicture | None = trial_picture(result["treatments"])
    return {
        "anchor": f"trial-{index + 1}",
        "title": trial.title,
        # What is shown comes first; the rest is a tap away where it is long.
        "shown": [text for text in result["verdict"] if not text.startswith(_NOT_SHOWN)],
        "not_shown": [text for text in result["verdict"] if text.startswith(_NOT_SHOWN)],
        "warnings": result["warnings"],
        "blocks": result["blocks"],
        "columns": [name for _, name, _, _ in shown],
        "treatments": [
            {
                "name": item["treatment"],
                "plots": item["plots"],
                "seeds": item["seeds_planted"],
                "values": [_value(item.get(key), factor, unit) for key, _, factor, unit in shown],
            }
            for item in result["treatments"]
        ],
        "picture": picture,
        "interval": f"{100 * result['interval']:.0f} %",
    }


def _value(value: Mapping[str, float | None] | None, factor: float, unit: str) -> str:
    if value is None or value["estimate"] is None:
        return UNKNOWN
    digits = 0 if factor == 100.0 or value["estimate"] * factor >= 100 else 1
    text = f"{value['estimate'] * factor:.{digits}f}{unit}"
    low, high = value["low"], value["high"]
    if low is None or high is None:
        return text
    span = range_words(f"{low * factor:.{digits}f}", f"{high * factor:.{digits}f}")
    return f"{text} ({span})"


__all__ = ["RowPicture", "SeasonReport", "TrialReport", "season_page"]
