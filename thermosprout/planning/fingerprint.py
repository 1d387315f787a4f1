"""What a plan is made of, told by content: the same in every process."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from enum import Enum
from hashlib import sha256

import numpy as np


def fingerprint(value: object) -> str:
    """SHA-256 over the content of dataclasses, containers, arrays and plain values.

    A pickle would not do: it tells equal values apart by which of them are one object in memory.

    Raises
    ------
    TypeError
        For a value of a kind whose content is not known.
    """
    return sha256(repr(_content(value)).encode()).hexdigest()


def _content(value: object) -> object:
    if value is None or isinstance(value, bool | int | float | str | bytes):
        return value
    if isinstance(value, Enum):
        return type(value).__name__, value.name
    if isinstance(value, np.ndarray | np.generic):
        array = np.ascontiguousarray(value)
        return str(array.dtype), array.shape, sha256(array.tobytes()).hexdigest()
    if is_dataclass(value):
        return type(value).__name__, [
            (field.name, _content(getattr(value, field.name))) for field in fields(value)
        ]
    if isinstance(value, Mapping):
        return sorted((repr(key), _content(each)) for key, each in value.items())
    if isinstance(value, list | tuple):
        return [_content(each) for each in value]
    raise TypeError(f"no fingerprint of {type(value).__name__}")
