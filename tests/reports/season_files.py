"""Small seasons for tests of pages: an invented soil, few rows, texts of choice."""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime, timedelta
from pathlib import Path

from thermosprout.planning.evidence import evidence_name, lot_words, season_evidence
from thermosprout.planning.this_week import this_week
from thermosprout.reports.season_page import SeasonReport, TrialReport
from thermosprout.season.forecast import SeasonForecast, emergence_curves, forecast_season
from thermosprout.season.load import load_season

HOSTILE = [
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(2)>',
    "'; DROP TABLE rows; --",
    "{{ 7*7 }}{% raw %}",
    '=HYPERLINK("http://x")',
    "+1-1 @SUM(A1)",
    "-2",
    "חציר ירוק",
    "\u200fجزر أبيض\u202e",
    "🥕👩‍🌾🇫🇷",
    "&lt;b&gt; &amp; </details></svg></style>",
    "]]> <!-- --> \\u003c",
    "a" * 110,
]
"""Names that no page may take for anything but text."""

PLAIN = [f"name{index}" for index in range(len(HOSTILE))]


def toml(text: str) -> str:
    """Return a TOML string; the escapes of JSON are among its own."""
    return json.dumps(text, ensure_ascii=False)


def write_soil(folder: Path) -> None:
    """Four months of invented hourly soil temperature, a spring that warms up."""
    start = datetime(2026, 3, 1, tzinfo=UTC)
    lines = ["time_utc,soil_temp_C"]
    for hour in range(24 * 130):
        when = start + timedelta(hours=hour)
        value = 7 + 9 * hour / (24 * 130) + 3 * math.sin(2 * math.pi * (hour % 24 - 9) / 24)
        lines.append(f"{when:%Y-%m-%dT%H:%MZ},{value:.2f}")
    (folder / "soil.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")


def write_season(folder: Path, names: list[str], *, crop: str = "") -> Path:
    """Write a season with one row per name, which stands wherever a grower may write."""
    write_soil(folder)
    head = (
        f"format = 1\ntitle = {toml(names[0])}\n[site]\nname = {toml(names[1])}\n"
        'latitude = 50.0\nlongitude = 8.0\ntimezone = "Europe/Berlin"\n'
        '[soil]\nfile = "soil.csv"\ndepth_cm = 5.0\nsurface = "bare"\n[records]\nfile = "c.csv"\n'
    )
    parts = [head]
    for index, name in enumerate(names):
        treatment = ("direct", "soaked", "presprouted")[index % 3]
        hours = {"direct": "", "soaked": "soak_h = 10.0", "presprouted": "sprout_h = 72.0"}
        parts.append(
            f"[[lots]]\nid = {toml(name)}\ncrop = {toml(crop or name)}\nvariety = {toml(name)}\n"
            f'season = "cool"\nseed_size = "medium"\nnote = {toml(name)}\n'
            f"[[beds]]\nid = {toml(name)}\n"
        )
        parts.append(
            f"[[rows]]\nid = {toml(name)}\nlot = {toml(name)}\nbed = {toml(name)}\n"
            f'treatment = "{treatment}"\nplanted = 2026-04-{10 + index:02d}\n'
            f"seeds_planted = 60\nnote = {toml(name)}\n{hours[treatment]}\n"
        )
    path = folder / "season.toml"
    path.write_text("\n".join(parts), encoding="utf-8")
    return path


def forecast(path: Path, day: str = "2026-04-20", draws: int = 200) -> SeasonForecast:
    """Forecast a season file as seen from the evening of a day."""
    as_of = datetime.fromisoformat(f"{day}T18:00+00:00")
    return forecast_season(load_season(path), as_of=as_of, size=draws)


def report_of(result: SeasonForecast, trials: tuple[TrialReport, ...] = ()) -> SeasonReport:
    """Gather what the page needs."""
    season = result.season
    return SeasonReport(
        title=season.data.title or "",
        document=result.to_dict(),
        curves=emergence_curves(result),
        week=this_week(result),
        evidence=season_evidence(result),
        row_evidence=[evidence_name(answer) for answer in result.rows],
        row_lots=[lot_words(season.row_lot(answer.row)) for answer in result.rows],
        trials=trials,
        imprint="Made by a test.",
    )


def trial_result(names: list[str]) -> dict[str, object]:
    """Result of an invented trial as the analysis tells it."""
    value = {"estimate": 0.61, "low": 0.5, "high": 0.7}
    days = {"estimate": 15.2, "low": 14.0, "high": None}
    curve = {
        "clock": "planted", "left": [8.0, 10.0], "right": [10.0, 14.0], "emerged": [0.2, 0.6],
        "low": [0.1, 0.5], "high": [0.3, 0.7],
    }  # fmt: skip
    treatments = [
        {
            "treatment": name, "plots": 4, "seeds_planted": 160, "stand": value,
            "stand_per_started": value, "t50_since_planted_d": days,
            "t50_since_started_d": None, "thermal_time_50_Cd": None, "curve": curve,
        }
        for name in names
    ]  # fmt: skip
    return {
        "treatments": treatments, "bottom_line": names, "verdict": names, "warnings": names,
        "blocks": 4, "interval": 0.9,
    }  # fmt: skip
