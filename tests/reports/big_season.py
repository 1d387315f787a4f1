"""A season of sixty rows and four trials, made of a few rows repeated under other names."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from tests.reports.season_files import PLAIN, forecast, report_of, trial_result, write_season
from thermosprout.reports.season_page import SeasonReport, TrialReport

ROWS, TRIALS = 60, 4


def big_report(folder: Path, draws: int = 200) -> SeasonReport:
    """Sixty rows and four trials; the rows of twelve crops of their own, with all their sources."""
    small = report_of(forecast(write_season(folder, PLAIN[:12]), draws=draws))
    rows = [
        {**small.document["rows"][index % 12], "row": f"row {index + 1}"} for index in range(ROWS)
    ]
    curves = [small.curves[index % 12] for index in range(ROWS)]
    return replace(
        small,
        document={**small.document, "rows": rows},
        curves=curves,
        row_evidence=[small.row_evidence[index % 12] for index in range(ROWS)],
        row_lots=[small.row_lots[index % 12] for index in range(ROWS)],
        trials=[
            TrialReport(title=f"trial {index + 1}", result=trial_result(PLAIN[:8]))
            for index in range(TRIALS)
        ],
    )
