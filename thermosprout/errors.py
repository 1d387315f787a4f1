"""Notes beside an answer, and errors for the user, each with its exit code."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path


def printable(text: str, *, keep: str = "") -> str:
    """Text in which a terminal's own codes and other invisible signs are blanks, save some."""
    return "".join(sign if sign.isprintable() or sign in keep else " " for sign in text)


@dataclass(frozen=True, kw_only=True)
class Place:
    """Where in a file something was found; line and column count from one."""

    file: str | Path
    line: int | None = None
    column: int | str | None = None

    def __str__(self) -> str:
        text = str(self.file)
        if self.line is not None:
            text += f", line {self.line}"
        if self.column is not None:
            text += f", column {self.column}"
        return text


@dataclass(frozen=True)
class Note:
    """A note beside an answer: the sentence, what it is about, and its figures in words."""

    sentence: str
    kind: str = ""
    figures: tuple[str, ...] = ()


class ThermosproutError(Exception):
    """Base of every error meant for the user: one sentence, the place, and the next step.

    Parameters
    ----------
    what : str
        What was found and what was expected, as one sentence without the place.
    place : Place, optional
        File, line and column it was found at.
    hint : str, optional
        The next step for the user.
    """

    exit_code = 1

    def __init__(self, what: str, *, place: Place | None = None, hint: str = "") -> None:
        self.what = what
        self.place = place
        self.hint = hint
        super().__init__(str(self))

    def __str__(self) -> str:
        text = f"{self.place}: {self.what}" if self.place else self.what
        if self.hint and text.endswith("?"):
            text = f"{text} {self.hint[0].upper()}{self.hint[1:]}"
        elif self.hint:
            text = f"{text.rstrip('.')}; {self.hint}"
        # What a file holds may carry line breaks or a terminal's own codes: neither is repeated.
        text = printable(text)
        return text if text.endswith((".", "?")) else text + "."


class InputError(ThermosproutError, ValueError):
    """Wrong input or usage."""

    exit_code = 2


class CoverageError(ThermosproutError):
    """The data do not cover the question (a series that ends too early, a hole in it)."""

    exit_code = 3


class ServiceError(ThermosproutError):
    """A weather service failed and nothing usable is cached."""

    exit_code = 4


class FitError(ThermosproutError):
    """A fit that must not be trusted."""

    exit_code = 5


@contextmanager
def placed(place: Place | None) -> Iterator[None]:
    """Give errors raised inside that name no place this one."""
    try:
        yield
    except ThermosproutError as error:
        if error.place is not None:
            raise
        raise type(error)(error.what, place=place, hint=error.hint) from None
