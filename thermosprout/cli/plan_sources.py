"""How the options of the planning commands become a question, and how its answer is shown."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from thermosprout.season.context import Context
    from thermosprout.season.setting import Question


def ask(
    *,
    crop: str = "",
    lot: str = "",
    bed: str = "",
    cover: str = "",
    depth_cm: float | None = None,
    germination: float | None = None,
    seeds_tested: int | None = None,
    **sources: Any,
) -> tuple[Context, Question]:
    """Open what the options name; a lot that is not of the season is one of their figures."""
    from thermosprout.crops.seed_lots import SeedLot
    from thermosprout.season.open_context import open_context
    from thermosprout.season.setting import Question

    seed: str | SeedLot = lot
    if not lot and germination is not None:
        germinated = None if seeds_tested is None else round(germination * seeds_tested)
        seed = SeedLot(
            id="as given",
            crop=crop,
            germination=germination,
            seeds_tested=seeds_tested,
            seeds_germinated=germinated,
        )
    question = Question(crop=crop, lot=seed, bed=bed, cover=cover, depth_cm=depth_cm)
    return open_context(**sources), question


def show(document: dict[str, Any], tables: list[Any], context: Context, *, json: bool) -> None:
    """Print the answer; how files were read goes to standard error."""
    from thermosprout.cli.output import console, note, print_json

    for sentence in context.notes:
        note(sentence)
    if json:
        print_json(document)
        return
    out = console()
    for item in tables:
        out.print(item)
