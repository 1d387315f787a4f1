"""A crop: its estimate, its stand, its cautions and the practice of sowing it.

Which cautions an answer needs is decided by :func:`cautions`, and each is worded here, once: common
practice, no source, save where a crop's own caution names one. They go at the end of an answer, in
every command and file that has somebody wet, sprout or sow seed.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt

from thermosprout.crops.estimate import Estimate
from thermosprout.errors import InputError
from thermosprout.quantities import USUAL_DEPTH_CM, FloatArray

ResponseShape = Literal["linear", "beta"]
Season = Literal["cool", "warm"]
SeedSize = Literal["small", "medium", "large"]

USUAL_SOAK_H = 12.0
"""Overnight, for crops that stand it (common practice, no source). [h]"""


@dataclass(frozen=True, kw_only=True)
class Practice:
    """Small facts of sowing practice, from seed charts; ``None`` where none was found.

    Attributes
    ----------
    depth_cm, depth_high_cm : float or None
        Usual sowing depth, from and to. [cm]
    spacing_cm, row_spacing_cm : float or None
        Usual distance in the row and between rows. [cm]
    seeds_per_g : float or None
        Seeds in a gram. [1/g]
    days_to_harvest_low, days_to_harvest_high : float or None
        From sowing (from setting out for crops usually transplanted) to first harvest. [d]
    """

    depth_cm: float | None = None
    depth_high_cm: float | None = None
    spacing_cm: float | None = None
    row_spacing_cm: float | None = None
    seeds_per_g: float | None = None
    days_to_harvest_low: float | None = None
    days_to_harvest_high: float | None = None


@dataclass(frozen=True, kw_only=True)
class Crop:
    """One crop of the catalogue, or a generic one where the catalogue has none.

    Attributes
    ----------
    name, latin_name, aliases : str, str, tuple of str
        Names a grower may type; see :func:`thermosprout.crops.catalogue.find_crop`.
    alias : str
        The alias it was looked up by; empty where that was its name. Two crops that differ in it
        alone are equal.
    response, response_reason : {"linear", "beta"}, str
        Shape of the temperature response and why this crop has it.
    estimate : Estimate
        What is known of the parameters, with the spread between varieties and lots.
    stand_low_C, stand_low_width_C, stand_high_C, stand_high_width_C : float
        Temperatures at which half of the stand is lost to cold and to heat, and how sharply.
        [degC]
    chilling_sensitive, chilling_limit_C : bool, float
        Whether cold water in the first day of uptake kills, and below which temperature. [degC]
    harmed_by_soaking, safe_soak_h : bool, float
        Whether long soaking kills, and the soak that is still safe. [h]
    tender : bool
        Whether frost kills the seedling.
    cautions : tuple of str
        Said once where the action is taken.
    """

    name: str
    latin_name: str
    response: ResponseShape
    response_reason: str
    estimate: Estimate
    stand_low_C: float
    stand_low_width_C: float
    stand_high_C: float
    stand_high_width_C: float
    chilling_sensitive: bool
    chilling_limit_C: float
    harmed_by_soaking: bool
    safe_soak_h: float
    tender: bool
    season: Season
    seed_size: SeedSize
    aliases: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    practice: Practice = field(default_factory=Practice)
    alias: str = field(default="", compare=False)

    def __post_init__(self) -> None:
        if self.stand_low_width_C <= 0 or self.stand_high_width_C <= 0:
            raise InputError(f"the stand of {self.name} needs positive widths")
        if self.stand_low_C >= self.stand_high_C:
            raise InputError(f"the stand of {self.name} is lost to cold above where it is to heat")
        if self.safe_soak_h <= 0:
            raise InputError(f"the safe soak of {self.name} must be longer than 0 h")

    @property
    def common_name(self) -> str:
        """Name for sentences: the grower's own, as beetroot for what the catalogue calls beet.

        Spelt as the catalogue has it: beetroot for who typed Beetroots too.
        """
        return self.alias or self.name

    def long_soak(self, soak_h: float, loss: str = "some") -> str:
        """Sentence on a soak that is too long for the crop, without its full stop.

        Parameters
        ----------
        soak_h : float
            Longer than ``safe_soak_h``. [h]
        loss : str
            What it kills of the seed, in words.
        """
        return (
            f"{self.common_name} tolerates about {self.safe_soak_h:g} h of soaking; {soak_h:g} h "
            f"is likely to kill {loss} of the seed"
        )

    @property
    def usual_depth_cm(self) -> float:
        """Depth it is sown at where no other is named. [cm]"""
        return self.practice.depth_cm or USUAL_DEPTH_CM

    def __repr__(self) -> str:
        """Name, temperatures and thermal time; the estimate has the rest."""
        centre = self.estimate.centre()
        best = centre["t_base_C"] + centre["opt_gap_C"]
        return (
            f"Crop {self.name} ({self.latin_name or 'no Latin name'}): {self.season}-season, "
            f"{self.seed_size} seed, {self.response} response, base {centre['t_base_C']:.1f} °C, "
            f"optimum {best:.1f} °C, ceiling {best + centre['ceiling_gap_C']:.1f} °C, thermal time "
            f"{centre['thermal_time_50_Cd']:.0f} °C d"
        )

    @property
    def usual_soak_h(self) -> float:
        """A soak overnight, or as long as the crop stands. [h]"""
        return min(USUAL_SOAK_H, float(self.safe_soak_h))

    def stand_response(self, temperature: npt.ArrayLike) -> FloatArray:
        """Share of the stand that a constant temperature allows, in [0, 1].

        Parameters
        ----------
        temperature : array_like
            Soil temperature while the seed waits. [degC]

        Returns
        -------
        ndarray
            Product of two logistic curves, one for cold and one for heat. [1]
        """
        t = np.asarray(temperature, dtype=float)
        return _logistic((t - self.stand_low_C) / self.stand_low_width_C) * _logistic(
            (self.stand_high_C - t) / self.stand_high_width_C
        )


def _logistic(x: FloatArray) -> FloatArray:
    """Logistic curve that neither overflows nor imports scipy for a look at the catalogue."""
    return np.asarray(0.5 * (1.0 + np.tanh(0.5 * x)))


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
    return each_once([*texts, PACKET_FIRST])


def each_once(texts: Iterable[str]) -> tuple[str, ...]:
    """Cautions of several answers as one list: each once, the packet's word at the end."""
    once = dict.fromkeys(texts)
    if PACKET_FIRST in once:
        once[PACKET_FIRST] = once.pop(PACKET_FIRST)
    return tuple(once)
