"""The season page of sixty rows and four trials, beside a plotting library drawing three rows.

Run with ``pytest tests/benchmarks/test_page_speed.py``.
"""

from __future__ import annotations

import io
import time
from pathlib import Path
from typing import Any

from tests.reports.big_season import big_report
from thermosprout.reports.forecast_figures import forecast_figure
from thermosprout.reports.season_page import season_page


def test_sixty_rows_are_quicker_than_three_plotted(benchmark: Any, tmp_path: Path) -> None:
    report = big_report(tmp_path)
    season_page(report)

    def reference() -> float:
        start = time.perf_counter()
        forecast_figure(list(report.curves[:3])).savefig(io.BytesIO(), format="svg")
        return time.perf_counter() - start

    reference()
    library = min(reference() for _ in range(3))
    page = benchmark.pedantic(season_page, (report,), rounds=5)
    benchmark.extra_info["MB"] = round(len(page.encode()) / 1e6, 2)
    benchmark.extra_info["matplotlib_3_rows_s"] = round(library, 3)
    assert benchmark.stats["min"] < library
