"""Blender keeps single precision, the plan does not: numbers read back that differ by no more keep their digits."""

from __future__ import annotations

import dataclasses
from typing import Any, TypeVar, cast

LENGTH_NOISE = 2e-5  # m: single precision on a stage of 100 m, through a few matrices
Entry = TypeVar("Entry")  # a number, a tuple or a plan entry


def settle(old: Any, new: Entry, noise: float = LENGTH_NOISE) -> Entry:
    """``new`` with every number that equals ``old`` within ``noise`` replaced by the old number.

    Works through tuples and dataclasses of equal shape; anything else is taken from ``new`` as it is.
    """
    return cast(Entry, _settled(old, new, noise))


def _settled(old: Any, new: Any, noise: float) -> Any:
    if isinstance(old, bool) or isinstance(new, bool):
        return new
    if isinstance(old, (int, float)) and isinstance(new, (int, float)):
        return old if abs(old - new) <= noise * max(1.0, abs(old) / 100) else new
    if isinstance(old, tuple) and isinstance(new, tuple) and len(old) == len(new):
        return tuple(_settled(a, b, noise) for a, b in zip(old, new, strict=True))
    if dataclasses.is_dataclass(old) and not isinstance(old, type) and type(old) is type(new):
        kept = {f.name: _settled(getattr(old, f.name), getattr(new, f.name), noise) for f in dataclasses.fields(old)}
        return dataclasses.replace(old, **kept)
    return new
