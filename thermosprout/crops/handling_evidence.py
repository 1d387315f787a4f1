"""What the handling figures of a crop rest on: its own trials, its relatives, or all crops."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

from thermosprout.reference import reference_file

if TYPE_CHECKING:
    from thermosprout.crops.crop import Crop

HANDLING_FILE = "handling_effects.csv"
"""Result of ``python -m reference_data.build.handling``, kept in ``reference_data``."""

EVIDENCE_FILE = "presowing_evidence.csv"
"""Published results, one a row; see ``reference_data/SOURCES.md``."""

_OF_HANDLING = {
    "soaking": ("soak_credit", "soak_stand"),
    "sprouting": ("handling_delay_Cd", "sprout_stand"),
}


@dataclass(frozen=True, kw_only=True)
class HandlingEvidence:
    """Published results behind what one handling of one crop brings.

    Attributes
    ----------
    handling : str
        ``soaking`` or ``sprouting``.
    grade : str
        ``measured``, ``relatives`` or ``all crops``.
    sources, field_sources : int
        Works with a result, and those of them with one in the field.
    relatives : tuple of str
        Crops that stand in where the crop itself was not measured.
    """

    crop: str
    handling: str
    grade: str
    sources: int
    field_sources: int
    relatives: tuple[str, ...] = ()

    def sentence(self) -> str:
        """Say what the figures rest on, in one line."""
        what = self.handling.capitalize()
        if self.grade == "measured":
            works = "1 published work" if self.sources == 1 else f"{self.sources} published works"
            return f"{what}: measured for {self.crop} in {works}, {self._field()}."
        if self.grade == "relatives":
            return (
                f"{what}: no measurement for {self.crop}; taken from its relatives "
                f"({', '.join(self.relatives)})."
            )
        return (
            f"{what}: no measurement for {self.crop} or its relatives; taken from other crops, "
            "with a wide range."
        )

    def _field(self) -> str:
        if not self.field_sources:
            return "none of them in the field"
        if self.field_sources == self.sources:
            return "in the field" if self.sources == 1 else "all in the field"
        return f"{self.field_sources} of them in the field"


@cache
def _table() -> dict[tuple[str, str], dict[str, str]]:
    text = reference_file(HANDLING_FILE).read_text(encoding="utf-8")
    rows = csv.DictReader(text.splitlines())
    return {(row["crop"], row["parameter"]): row for row in rows}


def handling_evidence(crop: str, handling: str) -> HandlingEvidence:
    """Evidence on ``soaking`` or ``sprouting`` of a crop of the catalogue, or of another one.

    Time and stand count together: what either was measured in.
    """
    rows = [
        row for name in _OF_HANDLING[handling] if (row := _table().get((crop, name))) is not None
    ]
    for grade in ("measured", "relatives"):
        mine = [row for row in rows if row["grade"] == grade]
        if mine:
            return HandlingEvidence(
                crop=crop,
                handling=handling,
                grade=grade,
                sources=len(_listed(mine, "source_ids")),
                field_sources=len(_listed(mine, "field_ids")),
                relatives=tuple(sorted(_listed(mine, "relatives"))),
            )
    return HandlingEvidence(
        crop=crop, handling=handling, grade="all crops", sources=0, field_sources=0
    )


def cold_harm(crop: Crop) -> str | None:
    """Say what the cold does to sprouts of a tender crop, by the length of their radicles.

    Measured on the crop itself where it was, else on the tender crops that were.
    """
    if not crop.tender:
        return None
    text = reference_file(EVIDENCE_FILE).read_text(encoding="utf-8")
    rows = [
        row
        for row in csv.DictReader(text.splitlines())
        if row["treatment"] == "hold" and row["measure"] == "root_growth" and row["hold_h"] == "72"
    ]
    own = [row for row in rows if row["crop"] == crop.name]
    used = own or rows
    losses = []
    for length in sorted({row["radicle_mm"] for row in used}, key=float):
        share = [
            float(row[end] or row["figure"])
            for row in used
            if row["radicle_mm"] == length
            for end in ("low", "high")
        ]
        low, high = round(100 * min(share)), round(100 * max(share))
        amount = f"{low} %" if low == high else f"{low}–{high} %"
        losses.append(f"{amount} less at {float(length):g} mm")
    whose = crop.name if own else ", ".join(sorted({row["crop"] for row in used}))
    return (
        f"Do not hold these sprouts in the cold: after 3 d at {used[0]['hold_C']} °C roots of "
        f"{whose} grew {' and '.join(losses)} (Rab & Saltveit 1996)."
    )


def _listed(rows: list[dict[str, str]], column: str) -> set[str]:
    """All entries of a column of lists."""
    return {one for row in rows for one in row[column].split(";") if one}
