"""Small invented trials for the tests of this area."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.trials.model_trials import simulate_counts
from thermosprout.trials.records.values import REQUIRED

Lines = Sequence[Sequence[object]]


@pytest.fixture
def write(tmp_path: Path) -> Callable[..., Path]:
    """Write a records file from dictionaries of what differs from an ordinary line."""

    def build(*rows: dict[str, object], extra: Sequence[str] = (), name: str = "trial.csv") -> Path:
        usual = {
            "plot": "A1", "block": "A", "variety": "", "seed_lot": "", "treatment": "direct",
            "started": "2026-05-01", "planted": "2026-05-01", "seeds_started": 50,
            "seeds_planted": 50, "depth_cm": 2.5, "inspected": "2026-05-08", "emerged": 4,
        }  # fmt: skip
        header = [*REQUIRED, *extra]
        lines = [",".join(header)]
        lines += [",".join(str({**usual, **row}.get(c, "")) for c in header) for row in rows]
        path = tmp_path / name
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        return path

    return build


def many_trials(
    rng: np.random.Generator,
    trials: int,
    blocks: int,
    treatments: Sequence[str],
    t50: Sequence[float],
    stand: Sequence[float],
    *,
    seeds: Sequence[int] | int = 50,
    speed_sd: float = 0.08,
    correlation: float = 0.04,
    block_speed_sd: float = 0.06,
    block_logit_sd: float = 0.3,
    looks: np.ndarray | None = None,
) -> pd.DataFrame:
    """Records in which every "variety" is a trial of its own, with blocks and plots that differ."""
    looks = np.arange(1.0, 21.0) if looks is None else looks
    size = len(treatments)
    index = pd.MultiIndex.from_product([range(trials), range(blocks), range(size)]).to_frame(
        index=False, name=["v", "b", "t"]
    )
    speed = np.repeat(block_speed_sd * rng.standard_normal(trials * blocks), size)
    luck = np.repeat(block_logit_sd * rng.standard_normal(trials * blocks), size)
    share = np.asarray(stand)[index["t"]]
    share = 1.0 / (1.0 + np.exp(-(np.log(share / (1.0 - share)) + luck)))
    number = np.broadcast_to(np.asarray(seeds), (size,))[index["t"]]
    counts = simulate_counts(
        rng, t50=np.asarray(t50)[index["t"]] * np.exp(speed), sigma=0.2, stand=share, seeds=number,
        inspections=looks, speed_sd=speed_sd, correlation=correlation,
    )  # fmt: skip
    names = index.astype(str)
    planted = pd.Timestamp("2026-05-01T12:00")
    table = pd.DataFrame(
        {
            "plot": names["v"] + "-" + names["b"] + "-" + names["t"],
            "block": names["b"], "variety": names["v"], "seed_lot": "",
            "treatment": np.asarray(treatments)[index["t"]], "started": planted,
            "planted": planted, "seeds_started": number, "seeds_planted": number,
            "depth_cm": 2.5, "temperature_C": np.nan, "first_harvest": pd.NaT,
            "started_local": "", "planted_local": "",
        }
    )  # fmt: skip
    records = table.loc[table.index.repeat(looks.size)].reset_index(drop=True)
    waits = pd.to_timedelta(np.tile(looks, len(table)), unit="D")
    records["inspected"] = planted + waits
    records["inspected_local"] = ""
    records["emerged"] = counts.ravel()
    for name in ("started", "planted", "inspected", "first_harvest"):
        records[name] = records[name].astype("datetime64[ns]")
    return records
