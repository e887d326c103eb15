"""A plan file into a checked plan: every problem at once, each with its key path.

The values are read with the standard library's TOML reader, floats as exact decimals so that a length in feet is
rounded once. Keys that no dataclass knows are kept in the text and told as warnings.
"""

from __future__ import annotations

import dataclasses
import difflib
import json
import math
import re
import tomllib
from dataclasses import dataclass, field
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import Any

from ..problems import BadInput, Problem, one_problem
from .check import cross_check
from .fields import Kind, key_of, key_path, kind_of, limits_of
from .migrate import migrated
from .model import LENGTH_UNITS, SCHEMA, Plan
from .units import format_length, number_text, parse_angle, parse_film, parse_length, parse_time

LARGEST_FILE = 20_000_000  # bytes; a plan of 20,000 evaluated frames is a tenth of it


@dataclass(frozen=True, slots=True)
class PlanFile:
    """A plan and the text it was read from, brought to the current schema, comments and unknown keys included."""

    name: str  # how messages call the file
    text: str
    plan: Plan
    warnings: tuple[Problem, ...] = ()
    path: Path | None = None


def load_plan(path: str | Path) -> PlanFile:
    """Read and check a plan file. Raises BadInput with every problem found."""
    path = Path(path)
    return dataclasses.replace(parse_plan(read_text(path), str(path)), path=path)


def parse_plan(text: str, name: str = "plan") -> PlanFile:
    """Check the text of a plan. ``name`` stands before every problem. Raises BadInput with every problem found."""
    if not text.strip():
        raise one_problem("file", "nothing in it", 'a plan; "scatterproof new" makes one', name)
    reading = _Reading(name)
    raw = parse_toml(text, name)
    if type(raw.get("schema")) is int and raw["schema"] == 1:
        text = migrated(text)
        raw = parse_toml(text, name)
        reading.warnings.append(Problem("schema", "1", f"{SCHEMA}; read as such, and saved as such", name))
    _require_schema(raw, name)
    if raw.get("units") in LENGTH_UNITS:
        reading.unit = raw["units"]
    plan = reading.table(Plan, raw, "")
    problems = reading.problems + [
        Problem(slip.where, slip.found, slip.expected, name) for slip in cross_check(plan, reading.spoiled)
    ]
    if problems:
        raise BadInput(problems)
    return PlanFile(name, text, plan, tuple(reading.warnings))


def read_text(path: Path) -> str:
    """The UTF-8 text of a file of moderate size. Raises BadInput where there is none."""
    data = read_bytes(path)
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        found = f"byte 0x{data[error.start]:02x}"
        raise one_problem(f"line {line}", found, "text in UTF-8 (save it as UTF-8)", str(path)) from None


def read_bytes(path: Path) -> bytes:
    """What a file of moderate size holds. Raises BadInput where there is none."""
    try:
        if path.is_dir():
            raise one_problem("file", "a folder", "the path of a file", str(path))
        with path.open("rb") as stream:
            data = stream.read(LARGEST_FILE + 1)
    except FileNotFoundError:
        raise one_problem("file", "no such file", "the path of a file", str(path)) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise one_problem("file", reason.lower(), "a file that can be read", str(path)) from None
    if len(data) > LARGEST_FILE:
        raise one_problem("file", "a very large file", f"at most {LARGEST_FILE // 10**6} MB", str(path))
    return data


def parse_toml(text: str, name: str) -> dict[str, Any]:
    """The text's tables, floats as decimals. Raises BadInput with the line of a slip in the syntax."""
    try:
        return tomllib.loads(text, parse_float=_decimal)
    except tomllib.TOMLDecodeError as error:
        found, _, place = str(error).rpartition(" (at ")
        raise one_problem(place.rstrip(")") or "text", found or str(error), "valid TOML", name) from None
    except RecursionError:
        raise one_problem("text", "brackets nested too deeply", "valid TOML", name) from None
    except ValueError as error:  # a whole number of thousands of digits
        raise one_problem("text", str(error).split(";")[0], "valid TOML", name) from None


def read_value(kind: Kind, raw: object, unit: str) -> Any:
    """One plain value, row or list of rows, in inside units. Raises BadInput where ``raw`` does not fit."""
    reading = _Reading("", unit)
    value = reading.value(kind, raw, "value")
    if reading.problems:
        raise BadInput(reading.problems)
    return value


@dataclass(slots=True)
class _Reading:
    """What was found so far while walking one file."""

    file: str
    unit: str = "m"
    problems: list[Problem] = field(default_factory=list)
    warnings: list[Problem] = field(default_factory=list)
    spoiled: set[str] = field(default_factory=set)  # key paths of tables and values that hold a problem

    def wrong(self, where: str, found: str, expected: str) -> None:
        self.spoiled.add(where)
        self.problems.append(Problem(where, found, expected, self.file))

    def table(self, cls: type, raw: dict[str, Any], where: str) -> Any:
        """A dataclass from a table; what does not fit is told and filled with a stand-in."""
        before, values = len(self.problems), {}
        known = {key_of(f): f for f in dataclasses.fields(cls)}
        unknown = [key for key in raw if key not in known]
        for key, f in known.items():
            kind, place = kind_of(f), key_path(where, key)
            if key in raw:
                told = len(self.problems)
                value = self.nested(kind, raw[key], place) if kind.quantity == "table" else None
                value = self.value(kind, raw[key], place) if kind.quantity != "table" else value
                if len(self.problems) == told or kind.quantity == "table":
                    values[f.name] = value
                    continue
                self.spoiled.add(place)
            elif f.default is dataclasses.MISSING:
                like = difflib.get_close_matches(key, [k[:80] for k in unknown], 1)
                found = f"no such key, though {_quoted(like[0])} looks like it" if like else "no such key"
                self.wrong(place, found, _expected(kind))
            values[f.name] = _stand_in(kind) if f.default is dataclasses.MISSING else f.default
        for key in unknown:
            like = difflib.get_close_matches(key[:80], known, 1)
            hint = f"{_quoted(like[0])} perhaps" if like else f"one of {', '.join(known)}"
            place = key_path(where, _shortened(key))
            self.warnings.append(Problem(place, "an unknown key (kept, without effect)", hint, self.file))
        if len(self.problems) > before:
            self.spoiled.add(where)
        return cls(**values)

    def nested(self, kind: Kind, raw: object, where: str) -> Any:
        """One table or a list of them."""
        assert kind.of is not None
        if not kind.rows:
            if not isinstance(raw, dict):
                self.wrong(where, _shown(raw), f"a table under [{_header(where)}]")
                raw = {}
            return self.table(kind.of, raw, where)
        if not isinstance(raw, list):
            self.wrong(where, _shown(raw), f"a list of tables, each under its own [[{_header(where)}]]")
            return ()
        items = []
        for index, item in enumerate(raw):
            if isinstance(item, dict):
                items.append(self.table(kind.of, item, key_path(where, "", index, item.get("name"))))
            else:
                self.wrong(key_path(where, "", index), _shown(item), "a table")
        return tuple(items)

    def value(self, kind: Kind, raw: object, where: str) -> Any:
        """A plain value, a row of them or a list of rows; None after a problem."""
        if kind.size is None and not kind.rows:
            return self.scalar(kind, raw, where)
        size = None if kind.rows or not kind.size else kind.size
        if not isinstance(raw, list) or (size is not None and len(raw) != size):
            self.wrong(where, _shown(raw), _expected(kind))
            return None
        inner = dataclasses.replace(kind, rows=False) if kind.rows else dataclasses.replace(kind, size=None)
        return tuple([self.value(inner, item, f"{where}[{index + 1}]") for index, item in enumerate(raw)])

    def scalar(self, kind: Kind, raw: object, where: str) -> Any:
        try:
            value = _READERS[kind.quantity](raw, self.unit)
        except BadInput:
            value = None
        if value is None or (kind.choices and value not in kind.choices):
            like = difflib.get_close_matches(raw[:80], kind.choices, 1) if isinstance(raw, str) else []
            self.wrong(where, _shown(raw), (f"{_quoted(like[0])}, or " if like else "") + _expected(kind))
        elif isinstance(value, (int, float)) and not isinstance(value, bool):
            low, high = limits_of(kind)
            if isinstance(value, float) and not math.isfinite(value):
                self.wrong(where, _shown(raw), f"a finite number: {_expected(kind)}")
            elif not low <= value <= high:
                self.wrong(where, _shown(raw), _limits(kind, self.unit))
        return value


def _number(raw: object, _unit: str) -> float | None:
    if isinstance(raw, bool) or not isinstance(raw, (int, float, Decimal)):
        return None
    try:
        return float(raw)
    except OverflowError:
        return math.inf


def _count(raw: object, unit: str) -> float | int | None:
    """A whole number; what is infinite comes back as a float, for the limits to refuse."""
    if isinstance(raw, int):
        return None if isinstance(raw, bool) else raw
    value = _number(raw, unit)
    return int(value) if value is not None and value.is_integer() else value if value == math.inf else None


def _measured(parse: Any) -> Any:
    def read(raw: object, unit: str) -> float | None:
        if isinstance(raw, bool) or not isinstance(raw, (str, int, float, Decimal)):
            return None
        value: float = parse(raw, unit)
        return value

    return read


_READERS: Any = {
    "length": _measured(parse_length),
    "angle": _measured(lambda raw, _: parse_angle(raw)),
    "film": _measured(lambda raw, _: parse_film(raw)),
    "time": _measured(lambda raw, _: parse_time(raw)),
    "number": _number,
    "count": _count,
    "flag": lambda raw, _: raw if isinstance(raw, bool) else None,
    "text": lambda raw, _: raw if isinstance(raw, str) else None,
    "choice": lambda raw, _: raw if isinstance(raw, str) else None,
}

_WORDS = {
    "length": ("a length", '6, "6 m", "48 in" or "5\' 6 1/2\\""'),
    "angle": ("an angle", '45 (degrees) or "0.5 rad"'),
    "film": ("millimetres", '35 or "35 mm"'),
    "time": ("a time", '0.02 (seconds) or "1/50 s"'),
    "number": ("a number", "1.5"),
    "count": ("a whole number", "12"),
    "flag": ("true or false", ""),
    "text": ("text", '"..."'),
    "choice": ("one of", ""),
    "table": ("a table", ""),
}


def _expected(kind: Kind) -> str:
    """What would have fitted, in words, with the field's own explanation."""
    noun, example = _WORDS[kind.quantity]
    words = f"{noun} such as {example}" if example else " ".join([noun, ", ".join(map(_quoted, kind.choices))]).strip()
    if kind.quantity != "table" and (kind.rows or kind.size is not None):
        many = f"{kind.size} in a row" if kind.size else "a list"
        rows = "a list of rows, each " if kind.rows else ""
        words = f"{rows}{many}: [{', '.join(['...'] * (kind.size or 1))}], {words}"
    return f"{words} ({kind.about})" if kind.about else words


def _limits(kind: Kind, unit: str) -> str:
    low, high = (_with_unit(kind, limit, unit) for limit in limits_of(kind))
    about = f" ({kind.about})" if kind.about else ""
    return f"{low} to {high}{about}"


def _with_unit(kind: Kind, value: float, unit: str) -> str:
    if kind.quantity == "length":
        return format_length(value, unit)
    if kind.quantity == "angle":
        return f"{math.degrees(value):.4g} degrees"
    return number_text(value) + {"film": " mm", "time": " s"}.get(kind.quantity, "")


def _stand_in(kind: Kind) -> Any:
    if kind.quantity == "table":
        return () if kind.rows else None if kind.optional or kind.of is None else kind.of()
    if kind.rows or kind.size == 0:
        return ()
    if kind.quantity in ("text", "choice"):
        one: Any = kind.choices[0] if kind.choices else ""
    else:
        one = kind.low or 0
    return one if kind.size is None else (one,) * kind.size


def _decimal(text: str) -> Decimal | float:
    try:
        value = Decimal(text)
    except InvalidOperation:
        return float(text)
    return value if value.is_finite() else float(text)


def _require_schema(raw: dict[str, Any], name: str) -> None:
    schema = raw.get("schema", SCHEMA)
    if isinstance(schema, int) and schema > SCHEMA:
        expected = f"{SCHEMA} or older: this file was written by a newer version, so update before opening it"
        raise one_problem("schema", str(schema)[:40], expected, name)
    if schema != SCHEMA or isinstance(schema, bool):
        raise one_problem("schema", _shown(schema), f"{SCHEMA}, or 1 for files of the first draft", name)


def _quoted(text: str) -> str:
    return json.dumps(_shortened(text), ensure_ascii=False)


def _header(where: str) -> str:
    return re.sub(r"\[\d+\]( '.*?')?(?=\.|$)", "", where)


def _shortened(text: str) -> str:
    return text if len(text) <= 60 else text[:57] + "..."


def _shown(raw: object) -> str:
    """A value as found, short enough for a line."""
    if isinstance(raw, str):
        return _quoted(raw)
    if isinstance(raw, bool):
        return str(raw).lower()
    if isinstance(raw, dict):
        return "a table"
    if isinstance(raw, list):
        return f"a list of {len(raw)}" if raw else "an empty list"
    if isinstance(raw, (int, float, Decimal)):
        return f"a number of {raw.bit_length()} bits" if isinstance(raw, int) and abs(raw) > 10**30 else str(raw)[:40]
    return f"a date or time ({raw})"
