from __future__ import annotations

from pathlib import Path

import matplotlib.image as mpimg
import numpy as np
import pytest

from tests.emergence.plain_crop import plain_crop
from tests.planning.climates import INLAND, ask_window, series, soil_under, years
from thermosprout.planning.options import usual_options
from thermosprout.planning.window import sensible_days
from thermosprout.reports.forecast_figures import window_figure
from thermosprout.reports.style import figure_bytes


@pytest.mark.parametrize("covers", [1, 2])
def test_picture_shows_every_treatment_and_the_sensible_days(tmp_path: Path, covers: int) -> None:
    crop = plain_crop()
    air = years(INLAND, 3, days=420)
    soil = soil_under(air)
    beds = {"open bed": series(soil), "fleece": series(soil + 2)}
    window = ask_window(
        crop, dict(list(beds.items())[:covers]), usual_options(crop, soaks_h=(8.0,)),
        np.arange(80, 260), depth_cm=2.0, air=series(air), within_d=22.0,
    )  # fmt: skip
    days = sensible_days(window)
    assert any(one.earliest is not None for one in days)
    figure = window_figure(window, [(one.earliest, one.last) for one in days])
    texts = [text.get_text() for axes in figure.axes for text in axes.texts]
    titles = [axes.get_title(loc="left") or axes.get_title() for axes in figure.axes]
    assert len(figure.axes) == 3 * covers + 1
    assert any("pre-sprouted" in title for title in titles)
    for one in days:
        if one.earliest is not None:
            day = one.earliest.astype("datetime64[D]").item()
            assert f"{day.day} {day:%b}" in texts
        else:
            assert "no suitable day" in texts
    path = tmp_path / "window.png"
    path.write_bytes(figure_bytes(figure, path))
    pixels = mpimg.imread(path)[..., :3]
    grey = pixels @ np.array([0.299, 0.587, 0.114])
    # Readable in grey: dark lines, a middle tone for the hill, light paper.
    assert (grey < 0.25).mean() > 0.002
    assert ((grey > 0.35) & (grey < 0.8)).mean() > 0.02
    assert (grey > 0.9).mean() > 0.3
