"""What can be wrong with what a person gave us, and how it is said.

Two kinds, kept apart: a :class:`Problem` list raised as :class:`BadInput` is for people (a plan, a file, a
command); ``ValueError`` from :func:`require_shape` is for programmers who called a function wrongly.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong: where it stands, what was found, what was expected."""

    where: str  # key path, for example "stand[2] 'left'.height", or a line number
    found: str
    expected: str
    file: str = ""

    def __str__(self) -> str:
        place = f"{self.file}: {self.where}" if self.file else self.where
        return f"{place}: found {self.found}; expected {self.expected}"


class BadInput(Exception):
    """Raised once with every problem found, so that a person mends them all in one go."""

    def __init__(self, problems: Iterable[Problem]):
        self.problems = tuple(problems)
        super().__init__("\n".join(map(str, self.problems)))


def one_problem(where: str, found: object, expected: str, file: str = "") -> BadInput:
    """A :class:`BadInput` that holds a single problem."""
    return BadInput([Problem(where, str(found), expected, file)])


def require_shape(name: str, array: np.ndarray, shape: tuple[int | None, ...]) -> np.ndarray:
    """``array`` itself when its shape fits ``shape`` (None fits any length).

    Raises ValueError naming the argument, what came and what was wanted.
    """
    fits = array.ndim == len(shape) and all(
        want is None or want == have for want, have in zip(shape, array.shape, strict=True)
    )
    if not fits:
        wanted = "(" + ", ".join("any" if s is None else str(s) for s in shape) + ")"
        raise ValueError(f"{name} has shape {array.shape}; wanted {wanted}")
    return array


def frozen_array(name: str, value: object, shape: tuple[int | None, ...], dtype: object = float) -> np.ndarray:
    """A read-only array of the wanted shape. Raises ValueError as :func:`require_shape` does."""
    array: np.ndarray = np.array(value, dtype=dtype)  # type: ignore[call-overload]
    require_shape(name, array, shape)
    array.flags.writeable = False
    return array
