"""A finished map in a few lines: how much of it comes up, and after how many days."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from thermosprout.planning.map_described import NO_SOIL, REACHED


def map_summary(path: Path) -> list[dict[str, Any]]:
    """Half emergence at middling odds over all cells, for each crop, treatment and sowing.

    Parameters
    ----------
    path : Path
        A map as :func:`thermosprout.planning.map_write.write_map` leaves it.

    Returns
    -------
    list of dict
        ``crop``, ``treatment``, ``planted``, ``days_before_planting`` (when the seed is started),
        ``cells`` with soil temperature, the share of them ``reached`` within the series, and the
        ``mean``, ``soonest`` and ``latest`` of their ``days_since_planted`` and
        ``days_since_started``; None where nothing is reached.
    """
    # Days are numbers here; some releases of xarray would make durations of them.
    opened = (
        xr.open_zarr(path, chunks=None, decode_timedelta=False)
        if path.is_dir()
        else xr.open_dataset(path, engine="h5netcdf", chunks=None, decode_timedelta=False)
    )
    with opened as whole:
        middle = whole.sel(stage="half").sel(odds=0.5, method="nearest")
        shape = middle["outcome"].shape[:3]
        cells, reached, total = np.zeros(shape), np.zeros(shape), np.zeros(shape)
        soonest, latest = np.full(shape, np.inf), np.full(shape, -np.inf)
        for region in _tiles(whole["outcome"]):
            days = middle["days_since_planted"].isel(region).values.reshape(*shape, -1)
            outcome = middle["outcome"].isel(region).values.reshape(*shape, -1)
            there = outcome == REACHED
            cells += (outcome != NO_SOIL).sum(axis=-1)
            reached += there.sum(axis=-1)
            total += np.where(there, days, 0.0).sum(axis=-1, dtype=float)
            soonest = np.minimum(soonest, np.where(there, days, np.inf).min(axis=-1))
            latest = np.maximum(latest, np.where(there, days, -np.inf).max(axis=-1))
        rows = []
        for c, t, s in np.ndindex(*shape):
            known = reached[c, t, s] > 0
            since_planted = {
                "mean": total[c, t, s] / reached[c, t, s] if known else None,
                "soonest": float(soonest[c, t, s]) if known else None,
                "latest": float(latest[c, t, s]) if known else None,
            }
            lead = float(whole["days_before_planting"].values[c, t])
            rows.append(
                {
                    "crop": str(whole["crop"].values[c]),
                    "treatment": str(whole["treatment"].values[t]),
                    "planted": str(whole["sowing"].values[s])[:16],
                    "days_before_planting": lead,
                    "cells": int(cells[c, t, s]),
                    "reached": reached[c, t, s] / cells[c, t, s] if cells[c, t, s] else None,
                    "days_since_planted": since_planted,
                    "days_since_started": {
                        key: None if value is None else value + lead
                        for key, value in since_planted.items()
                    },
                }
            )
        return rows


def _tiles(array: xr.DataArray) -> Iterator[dict[str, slice]]:
    """Regions of the stored chunks in space, so that each is read once."""
    dims = [str(dim) for dim in array.dims[5:]]
    chunks = array.encoding.get("chunks") or array.encoding.get("chunksizes") or array.shape
    starts = [range(0, array.sizes[d], max(c, 1)) for d, c in zip(dims, chunks[5:], strict=True)]
    for begin in product(*starts):
        yield {d: slice(b, b + max(c, 1)) for d, b, c in zip(dims, begin, chunks[5:], strict=True)}
