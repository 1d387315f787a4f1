"""Holes of a logger: short ones are bridged and told, long ones stay holes."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thermosprout.soil.readers.logger import BRIDGED_H, bridge, read_bridged
from thermosprout.soil.series import soil_series

HOURS = 24 * 20


def wave(trend: float = 0.1):
    """Invented soil: a steady rise and a daily wave."""
    hour = np.arange(HOURS)
    values = 8.0 + trend * hour / 24.0 + 3.0 * np.sin(2 * np.pi * hour / 24.0)
    time = np.datetime64("2026-04-01") + hour * np.timedelta64(1, "h")
    return soil_series(time, values, depth_cm=5.0, source="invented")


def holed(series, first: int, size: int):
    values = series.values.copy()
    values[first : first + size] = np.nan
    return series.copy(data=values)


@settings(deadline=None)
@given(first=st.integers(0, HOURS - 1), size=st.integers(1, 100), trend=st.floats(-0.5, 0.5))
def test_a_wave_on_a_line_comes_back_as_it_was(first: int, size: int, trend: float) -> None:
    whole = wave(trend)
    broken = holed(whole, first, size)
    closed, notes = bridge(broken)
    hole = np.isnan(broken.values)
    inside = first >= 24 and first + size + 24 <= HOURS
    if inside and size <= BRIDGED_H:
        assert closed.values == pytest.approx(whole.values, abs=1e-9)
        assert len(notes) == 1
        assert f"{size} h" in notes[0]
    else:
        assert not notes
        assert np.array_equal(np.isnan(closed.values), hole)
    assert np.array_equal(closed.values[~hole], whole.values[~hole])


def test_two_holes_that_share_their_days_stay() -> None:
    broken = holed(holed(wave(), 100, 5), 120, 10)
    closed, notes = bridge(broken)
    assert np.isnan(closed.values[100:105]).all()
    assert np.isnan(closed.values[120:130]).all()
    assert notes == []


def test_a_file_tells_what_was_bridged_and_what_was_not(tmp_path) -> None:
    broken = holed(holed(wave(), 100, 6), 300, 90)
    present = np.isfinite(broken.values)
    stamps = broken["time"].values.astype("datetime64[m]")
    rows = [
        f"{stamp}Z,{value:.2f}"
        for stamp, value in zip(stamps[present], broken.values[present], strict=True)
    ]
    path = tmp_path / "logger.csv"
    path.write_text("time,Soil temp 5cm (°C)\n" + "\n".join(rows) + "\n", encoding="utf-8")
    series, sentences = read_bridged(path)
    text = " ".join(sentences)
    assert "1 longer gap stays empty, the longest 90 h from 2026-04-13T12:00 UTC" in text
    assert "1 hole of 6 h from 2026-04-05T04:00 UTC was bridged" in text
    assert int(np.isnan(series.values).sum()) == 90
