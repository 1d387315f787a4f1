"""Cautions: which of them an answer needs is decided here, and each is worded here, once.

Common practice, no source, save where a crop's own caution names one. They go at the end of an
answer, in every command and file in which somebody is told to wet, sprout or sow seed.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from thermosprout.crops.crop import Crop

DRESSED = (
    "Dressed (treated, coloured) seed is not soaked or sprouted at home unless its label says so."
)
GLOVES = "Wear gloves to sow dressed seed, and wash your hands afterwards."
MOULD = "Sprouting seed can mould: look daily, rinse it, and throw away what is mouldy or smells."
HEAT = "Keep electric bottom heat away from wet paper and dripping water."
WARM_WATER = "Soak in water at room temperature: water above about 30 °C harms seed."
NOT_FOOD = "Seed sprouted for sowing is not food."
PACKET_FIRST = "The seed packet, its label and local advice come first."

WET = ("soaked", "presprouted")
"""Treatments in which seed is wetted before it is sown."""


def cautions(
    crops: Iterable[Crop], treatments: Iterable[str], *, dressed: bool | None = None
) -> tuple[str, ...]:
    """Cautions for handling seed of some crops in some ways, each once, the gravest first.

    Parameters
    ----------
    crops : iterable of Crop
        Each brings its own (raw beans, for one).
    treatments : iterable of str
        Labels; ``soaked`` and ``presprouted`` mean that seed is wetted.
    dressed : bool, optional
        Whether the seed is dressed; None where it is not known.
    """
    ways = set(map(str, treatments))
    texts = [text for crop in crops for text in crop.cautions]
    if dressed or ways.intersection(WET):
        texts.append(DRESSED)
    if dressed:
        texts.append(GLOVES)
    if "soaked" in ways:
        texts.append(WARM_WATER)
    if "presprouted" in ways:
        texts += [MOULD, HEAT, NOT_FOOD]
    return tuple(dict.fromkeys([*texts, PACKET_FIRST]))
