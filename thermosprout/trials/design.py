"""Where each plot goes: randomised blocks, Latin squares and simpler layouts, from a seed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import product

import numpy as np

from thermosprout.errors import InputError

_MOST_PLOTS = 5_000


class Layout(StrEnum):
    """How plots are randomised."""

    BLOCKS = "blocks"
    LATIN = "latin"
    SINGLE = "single"
    SPLIT = "split"


LAYOUT_WORDS = {
    Layout.BLOCKS: "randomised complete blocks: every block holds everything once, in an order of "
    "its own",
    Layout.LATIN: "Latin square: everything once in every row and every column, for a bed that "
    "changes both ways",
    Layout.SINGLE: "plots in one random order, without blocks: for even ground such as a bench of "
    "trays",
    Layout.SPLIT: "planting days in random order within each block, treatments in random order "
    "within each day",
}


@dataclass(frozen=True, kw_only=True)
class Spot:
    """One plot of the plan.

    Attributes
    ----------
    plot : str
        Label, block letter and number.
    block : str
        Plots of one block lie side by side and are compared with each other.
    row, column : int
        Place in the bed, counted from zero; rows are blocks or parts of them.
    variety, treatment : str
    day : int
        Which of the planting days, counted from zero.
    """

    plot: str
    block: str
    row: int
    column: int
    variety: str
    treatment: str
    day: int = 0


def lay_out(
    layout: Layout,
    varieties: Sequence[str],
    treatments: Sequence[str],
    replicates: int,
    rng: np.random.Generator,
    *,
    days: int = 1,
) -> tuple[Spot, ...]:
    """Place every combination of variety and treatment.

    Parameters
    ----------
    layout : Layout
    varieties, treatments : sequence of str
        Without doubles.
    replicates : int
        Blocks, or plots of each combination where there are no blocks; in a Latin square it is
        the number of combinations.
    rng : numpy.random.Generator
    days : int
        Planting days; only the split layout has more than one.

    Raises
    ------
    InputError
        When there is nothing to compare, names are doubled, or the layout cannot hold them.

    Notes
    -----
    Fisher (1935), The Design of Experiments, ch. 4 and 5.
    """
    cells = _cells(varieties, treatments)
    if days < 1 or (days > 1) != (layout is Layout.SPLIT):
        raise InputError(
            "several planting days go with the layout `split`, and it needs at least two"
        )
    if replicates < 1:
        raise InputError(f"found {replicates} replicates, expected 1 or more")
    if len(cells) * replicates * days > _MOST_PLOTS:
        raise InputError(f"{len(cells) * replicates * days} plots are more than {_MOST_PLOTS}")
    if layout is Layout.LATIN:
        return _latin(cells, replicates, rng)
    if layout is Layout.SINGLE:
        order = rng.permutation(np.repeat(np.arange(len(cells)), replicates))
        width = max(len(cells), 1)
        return tuple(
            _spot(cells[c], "A", "A", k, k // width, k % width) for k, c in enumerate(order)
        )
    spots: list[Spot] = []
    for block in range(replicates):
        letter, number = letters(block), 0
        for row, day in enumerate(rng.permutation(days)):
            name = letter if days == 1 else f"{letter}-{day + 1}"
            for column, c in enumerate(rng.permutation(len(cells))):
                spots.append(
                    _spot(cells[c], letter, name, number, block * days + row, column, int(day))
                )
                number += 1
    return tuple(spots)


def _cells(varieties: Sequence[str], treatments: Sequence[str]) -> list[tuple[str, str]]:
    for words, names in (("variety", varieties), ("treatment", treatments)):
        if not names or (words == "treatment" and any(not name.strip() for name in names)):
            raise InputError(f"name at least one {words}")
        if len({name.casefold() for name in names}) < len(names):
            raise InputError(f"a {words} is named twice")
    cells = list(product(varieties, treatments))
    if len(cells) < 2:
        raise InputError(
            "one variety with one treatment leaves nothing to compare",
            hint="name at least two treatments or two varieties",
        )
    return cells


def _latin(
    cells: list[tuple[str, str]], replicates: int, rng: np.random.Generator
) -> tuple[Spot, ...]:
    size = len(cells)
    if replicates != size:
        raise InputError(
            f"a Latin square of {size} combinations has {size} rows, found {replicates}",
            hint=f"ask for {size} replicates or take the layout `blocks`",
        )
    square = (np.arange(size)[:, None] + np.arange(size)[None, :]) % size
    square = rng.permutation(size)[square]
    square = square[rng.permutation(size)][:, rng.permutation(size)]
    return tuple(
        _spot(cells[square[row, column]], letters(row), letters(row), column, row, column)
        for row in range(size)
        for column in range(size)
    )


def _spot(
    cell: tuple[str, str],
    letter: str,
    block: str,
    number: int,
    row: int,
    column: int,
    day: int = 0,
) -> Spot:
    return Spot(
        plot=f"{letter}{number + 1}",
        block=block,
        row=row,
        column=column,
        variety=cell[0],
        treatment=cell[1],
        day=day,
    )


def letters(index: int) -> str:
    """Letters of a block: A to Z, then AA and on."""
    text = ""
    index += 1
    while index:
        index, rest = divmod(index - 1, 26)
        text = chr(65 + rest) + text
    return text
