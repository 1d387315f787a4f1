"""Make the invented weather and soil of the demo season. Nothing here was ever measured.

Run ``python demo/make_demo.py`` to write ``soil.csv`` and ``weather.csv`` beside this file again;
the same seed gives the same files.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

SEED = 20260301
START, END = np.datetime64("2026-02-15T00:00"), np.datetime64("2026-07-20T00:00")
LATITUDE = 56.2


def autoregressive(rng: np.random.Generator, size: int, memory: float, spread: float) -> np.ndarray:
    """First-order noise: weather that lasts for some days and then turns."""
    shocks = rng.standard_normal(size) * spread * np.sqrt(1 - memory**2)
    values = np.empty(size)
    values[0] = shocks[0]
    for day in range(1, size):
        values[day] = memory * values[day - 1] + shocks[day]
    return values


def main() -> None:
    """Write the two files."""
    rng = np.random.default_rng(SEED)
    days = np.arange(START, END, np.timedelta64(1, "D"))
    day_of_year = (days - np.datetime64("2026-01-01")) / np.timedelta64(1, "D")
    season = -np.cos(2 * np.pi * (day_of_year - 22) / 365.25)
    # A cool, windy spring: the season's mean runs about a degree low until the middle of May.
    chill = -1.2 * np.exp(-(((day_of_year - 105) / 30) ** 2))
    mean = 8.3 + 5.4 * season + chill + autoregressive(rng, days.size, 0.78, 2.3)
    cloud = np.clip(0.62 + 0.22 * autoregressive(rng, days.size, 0.4, 1.0), 0.12, 1.0)
    wet = rng.random(days.size) < 0.22 + 0.42 * cloud
    rain = np.where(wet, rng.gamma(0.9, 6.4, days.size) * cloud, 0.0)
    daylight = np.clip(12.2 + 4.9 * np.cos(2 * np.pi * (day_of_year - 172) / 365.25), 7, 18)
    top = 13.2 + 12.2 * np.cos(2 * np.pi * (day_of_year - 172) / 365.25)
    radiation = np.clip(top, 2, None) * (1 - 0.68 * cloud)
    swing = 3.2 + 7.4 * (1 - cloud)
    low, high = mean - 0.5 * swing, mean + 0.5 * swing

    folder = Path(__file__).parent
    rows = ["date,air_tmin_C,air_tmax_C,ghi_MJ_m2,precip_mm"]
    rows += [
        f"{day},{a:.1f},{b:.1f},{g:.1f},{p:.1f}"
        for day, a, b, g, p in zip(days, low, high, radiation, rain, strict=True)
    ]
    (folder / "weather.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")

    hours = np.arange(START, END, np.timedelta64(1, "h"))
    clock = np.arange(hours.size) % 24
    day = np.minimum(np.arange(hours.size) // 24, days.size - 1)
    # The sun stands highest about 12:20 UTC there; 5 cm down the wave comes some three hours late.
    shape = np.cos(2 * np.pi * (clock - 15.4) / 24)
    warmed = mean + 0.13 * radiation - 0.8
    smooth = np.empty(hours.size)
    smooth[0] = warmed[0]
    target = np.interp(np.arange(hours.size), np.arange(days.size) * 24 + 12, warmed)
    for hour in range(1, hours.size):
        smooth[hour] = smooth[hour - 1] + (target[hour] - smooth[hour - 1]) / 30
    daily_swing = np.interp(np.arange(hours.size), np.arange(days.size) * 24 + 12, 0.32 * radiation)
    noise = autoregressive(rng, hours.size, 0.9, 0.22)
    soil = smooth + 0.5 * daily_swing * shape * (daylight[day] / 14) ** 0.5 + noise
    lines = ["time_utc,soil_temp_5cm_C"]
    lines += [f"{str(when)[:16]}Z,{value:.2f}" for when, value in zip(hours, soil, strict=True)]
    (folder / "soil.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
