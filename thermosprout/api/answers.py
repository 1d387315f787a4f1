"""What the functions of the library return: answers that print, tabulate and draw themselves."""

from __future__ import annotations

import io
from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING, Any, Self

import numpy as np
import pandas as pd
import xarray as xr

from thermosprout.emergence.forecast import STAGES, emergence_dataset
from thermosprout.errors import InputError

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from thermosprout.planning.compare_answer import CompareAnswer
    from thermosprout.planning.presprout import PresproutAnswer
    from thermosprout.planning.season_window import WindowAnswer
    from thermosprout.season.context import Context
    from thermosprout.season.forecast import SeasonForecast

LINES = 40
"""Most lines that an answer prints of itself."""

WIDTH = 80


@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class Answer(ABC):
    """What every answer can do; figures are those of the command of the same name."""

    result: Any
    soil_checks: tuple[str, ...] = ()
    """What makes the soil temperature implausible; an answer that rests on it is worth little."""

    @classmethod
    def of(cls, result: Any, context: Context) -> Self:
        """Answer with what makes its soil temperature implausible."""
        return cls(result=result, soil_checks=tuple(context.doubts))

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON document of the command of the same name."""
        checks = {"soil_checks": list(self.soil_checks)} if self.soil_checks else {}
        return {**self.result.to_dict(), **checks}

    @abstractmethod
    def to_frame(self) -> pd.DataFrame:
        """Return the figures as a table."""

    @abstractmethod
    def to_dataset(self) -> xr.Dataset:
        """Return the figures with names, units and coordinates by the CF conventions."""

    @abstractmethod
    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the answer, on axes that are given or on a figure of its own."""

    @abstractmethod
    def _tables(self) -> Sequence[Any]:
        """Tables and sentences as the command prints them."""

    @property
    def sentences(self) -> tuple[str, ...]:
        """What the command says beside its figures: advice, cautions, assumptions."""
        document = self.to_dict()
        texts = [document.get("advice"), document.get("reason")]
        for key in ("soil_checks", "bottom_line", "verdict", "cautions", "notes", "warnings"):
            texts.extend(document.get(key) or [])
        for row in document.get("rows") or []:
            texts.extend(f"{row['row']}: {text}" for text in row.get("notes") or [])
        return tuple(dict.fromkeys(str(text) for text in texts if text))

    def text(self, width: int = WIDTH) -> str:
        """Return all that the command prints, at a width."""
        from thermosprout.reports.console import FittingConsole

        out = io.StringIO()
        console = FittingConsole(width=width, file=out, color_system=None)
        console.print(*(f"Caution: {text}" for text in self.soil_checks), *self._tables())
        return out.getvalue().rstrip()

    def __repr__(self) -> str:
        lines = self.text().splitlines()
        if len(lines) > LINES:
            rest = len(lines) - LINES + 1
            lines = [*lines[: LINES - 1], f"... {rest} more lines: print(answer.text())"]
        return "\n".join(lines)

    def _repr_html_(self) -> str:
        table = self.to_frame().to_html(index=False, border=0, na_rep="–", max_rows=LINES)
        paragraphs = "".join(f"<p>{escape(text)}</p>" for text in self.sentences)
        return f"{table}{paragraphs}"


def _new_figure() -> Figure:
    """Figure that a notebook shows."""
    from matplotlib import pyplot

    figure: Figure = pyplot.figure()
    return figure


@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class Forecast(Answer):
    """When rows come up."""

    result: SeasonForecast
    """Every row with its weighted draws."""

    def to_frame(self) -> pd.DataFrame:
        """Return one line a row and stage.

        Returns
        -------
        pandas.DataFrame
            Columns ``row, crop, treatment, planted, stage, p10, p50, p90`` (times with their
            zone; NaT past the horizon) and ``days_since_planted, days_since_started`` (p50). [d]
        """
        zone = self.result.season.data.site.timezone

        def local(text: str | None) -> Any:
            return pd.to_datetime(text, utc=True).tz_convert(zone) if text else pd.NaT

        return pd.DataFrame(
            [
                {
                    **{key: row[key] for key in ("row", "crop", "treatment")},
                    "planted": local(row["planted"]),
                    "stage": stage,
                    **{name: local(text) for name, text in row["stages"][stage].items()},
                    "days_since_planted": row["days_since_planted"][stage]["p50"],
                    "days_since_started": row["days_since_started"][stage]["p50"],
                    "stand": row["stand"]["p50"],
                }
                for row in self.to_dict()["rows"]
                for stage in STAGES
            ]
        )

    def to_dataset(self) -> xr.Dataset:
        """Return the draws, dims (row, draw, stage): emergence time in UTC, stand, weight."""
        return emergence_dataset([row.forecast for row in self.result.rows])

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw seedlings with their odds; one row on axes that are given, else all rows.

        Raises
        ------
        InputError
            When axes are given for more than one row.
        """
        from thermosprout.reports.forecast_figures import draw_row, forecast_figure, label_apart
        from thermosprout.reports.style import own_style
        from thermosprout.season.forecast import emergence_curves

        curves = emergence_curves(self.result)
        if ax is None:
            return forecast_figure(curves, figure=_new_figure()).axes[0]
        if len(curves) != 1:
            raise InputError(f"one pair of axes holds one row, not {len(curves)}")
        with own_style():
            draw_row(ax, curves[0])
            label_apart(ax, curves[0])
        return ax

    def _tables(self) -> Sequence[Any]:
        from thermosprout.reports.forecast_tables import forecast_tables

        return forecast_tables(self.to_dict())


@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class Comparison(Answer):
    """Dry, soaked and pre-sprouted side by side."""

    result: CompareAnswer
    """Every option with its draws, and a verdict for each goal."""

    def to_frame(self) -> pd.DataFrame:
        """Return one line an option: days to half on both clocks, stand, seeds to start."""
        return pd.DataFrame(
            [
                {
                    "option": option["option"],
                    "treatment": option["treatment"],
                    **{
                        f"half_{p}_d": day
                        for p, day in option["days_since_planted"]["half"].items()
                    },
                    "half_since_started_d": option["days_since_started"]["half"]["p50"],
                    "stand": option["stand_per_seed_planted"]["p50"],
                    "stand_per_seed_started": option["stand_per_seed_started"]["p50"],
                    "seeds_to_start": option["seeds_to_start"],
                }
                for option in self.to_dict()["options"]
            ]
        )

    def to_dataset(self) -> xr.Dataset:
        """Return the draws, dims (option, draw[, stage]): days since planting, stand, weight."""
        outcomes = self.result.comparison.outcomes
        rows = [one.row for one in outcomes]
        days = np.stack([(row.hours - row.sowing.planted_h) / 24.0 for row in rows])
        stand = np.stack([row.seedlings / row.sowing.seeds_planted for row in rows])
        about_days = {"units": "d", "long_name": "time from planting to a stage of emergence"}
        about_stand = {"units": "1", "long_name": "final stand as a share of the seeds planted"}
        return xr.Dataset(
            {
                "days_since_planted": (("option", "draw", "stage"), days, about_days),
                "stand": (("option", "draw"), stand, about_stand),
                "weight": (("option", "draw"), np.stack([row.weights for row in rows])),
            },
            coords={"option": [one.option.name for one in outcomes], "stage": list(STAGES)},
            attrs={"Conventions": "CF-1.8"},
        )

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the days to each stage of every option, with their 80 % range."""
        from thermosprout.reports.style import draw_options

        return draw_options(self.to_dict(), ax)

    def _tables(self) -> Sequence[Any]:
        from thermosprout.reports.decision_tables import compare_tables

        return compare_tables(self.to_dict())


@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class PlantingWindow(Answer):
    """How good every planting day of a season is."""

    result: WindowAnswer
    """Odds, days, stand, harvest and frost of every planting day."""
    every: int = 7
    """Days between the lines that are printed."""

    def to_frame(self) -> pd.DataFrame:
        """Return one line a cover, treatment and planting day."""
        return pd.DataFrame(self.to_dict()["days"])

    def to_dataset(self) -> xr.Dataset:
        """Return all figures of every planting day, in CF names and units."""
        return self.result.dataset

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw one strip a treatment; on a figure of its own only.

        Raises
        ------
        InputError
            When axes are given: a window takes several.
        """
        from thermosprout.reports.forecast_figures import window_figure

        if ax is not None:
            raise InputError("a planting window takes several axes: leave ax out")
        marks = [(one.earliest, one.last) for one in self.result.sensible]
        return window_figure(self.result.dataset, marks, figure=_new_figure()).axes[0]

    def _tables(self) -> Sequence[Any]:
        from thermosprout.reports.decision_tables import window_tables

        return window_tables(self.to_dict(), self.every)


@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class SproutingPlan(Answer):
    """When to wet a batch of seed so that it is ready on the day."""

    result: PresproutAnswer
    """Times, odds, seeds, and what to do when."""

    def to_frame(self) -> pd.DataFrame:
        """Return one line a thing to do."""
        return pd.DataFrame(self.to_dict()["events"])

    def to_dataset(self) -> xr.Dataset:
        """Return the things to do along ``event``."""
        return xr.Dataset.from_dataframe(self.to_frame().rename_axis("event"))

    def to_calendar(self) -> bytes:
        """Return the things to do as a calendar file (iCalendar, RFC 5545)."""
        from datetime import UTC, datetime

        from thermosprout.reports.pages import calendar_file

        return calendar_file(self.result.events, stamp=datetime.now(UTC), name="Sprouting")

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the things to do along the days."""
        from thermosprout.reports.style import draw_events

        document = self.to_dict()
        return draw_events(document["events"], f"Sprouting {document['crop']}", ax)

    def _tables(self) -> Sequence[Any]:
        from thermosprout.reports.decision_tables import presprout_tables

        return presprout_tables(self.to_dict())
