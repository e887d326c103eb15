"""The kinds of value a plan can hold, as dataclass fields.

Each helper makes a dataclass field whose metadata says how the value is written in the file, which limits it
has and what a person is told when it does not fit. Reading, checking, writing and the Blender properties all
walk these fields, so a new key is added in one place: the dataclass in ``model.py``.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Literal

Quantity = Literal["length", "angle", "film", "time", "number", "count", "flag", "text", "choice", "table"]

REQUIRED: Any = dataclasses.MISSING


@dataclass(frozen=True, slots=True)
class Kind:
    """How one plan value is written and limited.

    ``size`` is None for a single value, a number for a row of exactly that many, 0 for a row of any length;
    ``rows`` true means a list of such rows. Limits are in inside units (metres, radians, seconds).
    """

    quantity: Quantity
    size: int | None = None
    rows: bool = False
    low: float | None = None
    high: float | None = None
    choices: tuple[str, ...] = ()
    of: type | None = None  # the dataclass of a table
    key: str = ""  # the name in the file where it differs from the field's
    optional: bool = False
    refers: str = ""  # "surface", "paint", "camera", "shot": the value names one of these
    about: str = ""  # one line for people: tooltips, template comments, error texts


def _field(kind: Kind, default: Any) -> Any:
    if default is REQUIRED:
        return dataclasses.field(metadata={"kind": kind})
    return dataclasses.field(default=default, metadata={"kind": kind})


def _maker(quantity: Quantity) -> Any:
    def make(default: Any = REQUIRED, about: str = "", **more: Any) -> Any:
        optional = more.pop("optional", default is None)
        return _field(Kind(quantity, about=about, optional=optional, **more), default)

    make.__doc__ = f"A plan field of quantity {quantity!r}; see :class:`Kind` for the options."
    return make


length = _maker("length")  # metres inside; the file may carry a unit: "6 m", "5' 6\""
angle = _maker("angle")  # radians inside, degrees in the file
film = _maker("film")  # millimetres inside and in the file: film back and focal length only
time = _maker("time")  # seconds inside; the file may say "1/50 s"
number = _maker("number")
count = _maker("count")
flag = _maker("flag")
text = _maker("text")
choice = _maker("choice")


def table(of: type, default: Any = REQUIRED, about: str = "", key: str = "") -> Any:
    """One nested table, a dataclass of its own; absent when the default is None."""
    return _field(Kind("table", of=of, about=about, key=key, optional=default is None), default)


def tables(of: type, about: str = "", key: str = "") -> Any:
    """A list of nested tables ([[key]] in the file), empty when absent."""
    return _field(Kind("table", of=of, rows=True, about=about, key=key), ())


def kind_of(field: dataclasses.Field[Any]) -> Kind:
    """The :class:`Kind` of a dataclass field made by a helper of this module."""
    return field.metadata["kind"]  # type: ignore[no-any-return]


# No stage, shot or seed reaches these; they catch slips of unit and of the decimal point. Whole numbers must fit
# the 32 bits that Blender's properties have.
FARTHEST: Mapping[str, float] = MappingProxyType(
    {"length": 1e5, "angle": 200 * math.pi, "film": 1e4, "time": 1e5, "number": 1e9, "count": 2**31 - 1}
)


def limits_of(kind: Kind) -> tuple[float, float]:
    """Lowest and highest value allowed, in inside units: the kind's own, else the quantity's farthest."""
    far = FARTHEST[kind.quantity]
    return (-far if kind.low is None else kind.low), (far if kind.high is None else kind.high)


def key_of(field: dataclasses.Field[Any]) -> str:
    """The field's name in the file."""
    return kind_of(field).key or field.name


def key_path(where: str, key: str, index: int | None = None, name: object = None) -> str:
    """Where a value stands, for people; positions count from one.

    >>> key_path(key_path("", "stand", 1, "left"), "height")
    "stand[2] 'left'.height"
    """
    path = f"{where}.{key}" if where and key else where or key
    if index is not None:
        path += f"[{index + 1}]"
    return f"{path} '{name}'" if name and isinstance(name, str) and len(name) <= 100 else path


def tables_in(table: Any, where: str = "") -> Iterator[tuple[str, Any]]:
    """Key path and dataclass of every table inside ``table``, itself first."""
    yield where, table
    for field in dataclasses.fields(table):
        kind, value = kind_of(field), getattr(table, field.name)
        if kind.quantity != "table" or value is None:
            continue
        for index, inner in enumerate(value if kind.rows else (value,)):
            place = key_path(where, key_of(field), index if kind.rows else None, getattr(inner, "name", None))
            yield from tables_in(inner, place)
