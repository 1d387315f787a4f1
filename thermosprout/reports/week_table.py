"""The week as a table that folds well at 80 columns."""

from __future__ import annotations

from typing import TYPE_CHECKING

from thermosprout.planning.this_week import Week, day_words

if TYPE_CHECKING:
    from rich.console import RenderableType


def week_table(week: Week) -> list[RenderableType]:
    """Tasks of the week, one a line, and what follows in the two weeks after.

    Parameters
    ----------
    week : Week
        What to do, in order.
    """
    from rich import box
    from rich.table import Table
    from rich.text import Text

    title = f"This week, {day_words(week.today)} to {day_words(week.last)}"
    if not week.now:
        return [Text(title, style="bold"), Text("Nothing is due.")]
    table = Table(
        box=box.SIMPLE_HEAD,
        title=title,
        title_justify="left",
        title_style="bold",
        pad_edge=False,
        padding=(0, 1, 0, 0),
    )
    table.add_column("day", no_wrap=True)
    table.add_column("do", overflow="fold")
    table.add_column("row", overflow="fold")
    table.add_column("how", overflow="fold", ratio=1)
    for task in week.now:
        until = f"\n- {day_words(task.until)}" if task.until else ""
        table.add_row(
            Text(day_words(task.day) + until),
            Text(str(task.kind), style="bold"),
            Text(f"{task.row} {task.called}"),
            Text(task.sentence),
        )
    items: list[RenderableType] = [table]
    cautions = dict.fromkeys(text for task in week.now for text in task.cautions)
    items += [Text(f"Mind: {text}") for text in cautions]
    if week.later:
        soon = week.later[0]
        items.append(
            Text(f"After that: {soon.kind} {soon.row} {soon.called} on {day_words(soon.day)}.")
        )
    return items
