"""Parameters that no table gives: assumptions by seed size, plant group or crop, with reasons."""

from __future__ import annotations

from dataclasses import dataclass

from thermosprout.calibration.catalogue_fit_evidence import Row, read_table
from thermosprout.crops.parameters import PARAMETERS


@dataclass(frozen=True, kw_only=True)
class Assumed:
    """Value in natural units, sd on the parameter's scale, and where they come from."""

    value: float
    spread: float
    what: str
    source: str
    verified: str


def assumed(parameter: str, traits: Row, sources: dict[str, str]) -> Assumed:
    """Return the value for a crop: its own row, else its group's, else its seed size's.

    Parameters
    ----------
    traits : dict
        The crop's row of ``crops.csv``.
    sources : dict of str to str
        Source id to citation.
    """
    order = (traits["crop"], traits["plant_group"], traits["seed_size"])
    rows = {
        r["applies_to"]: r for r in read_table("assumptions.csv") if r["parameter"] == parameter
    }
    for group in order:
        if group in rows:
            row = rows[group]
            cited = sources.get(row["source_id"], "")
            return Assumed(
                value=float(row["value"]),
                spread=float(row["spread"]),
                what=parameter,
                source="; ".join(text for text in (f"{group}: {row['reason']}", cited) if text),
                verified=row["verified"],
            )
    generic = PARAMETERS[parameter]
    return Assumed(
        value=generic.typical,
        spread=generic.spread,
        what=parameter,
        source="generic prior of the model; wide, for records to narrow",
        verified="assumption",
    )
