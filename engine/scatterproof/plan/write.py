"""A plan into text: a fresh canonical file, or the person's own file with only what differs changed."""

from __future__ import annotations

import contextlib
import dataclasses
import errno
import inspect
import os
import shutil
import uuid
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.items import InlineTable

from ..problems import BadInput, one_problem
from .fields import Kind, key_of, kind_of
from .model import Plan
from .pieces import Address, Piece, cut, joined
from .read import PlanFile, parse_plan, parse_toml, read_value
from .units import angle_text, length_text, number_text


def dump_plan(plan: Plan) -> str:
    """The plan as canonical TOML: keys in the model's order, explained where each kind of table first appears.

    Every float is written so that it reads back as the same float.
    """
    return _table_text(plan, (), False, plan.units, set())


def updated(plan_file: PlanFile, plan: Plan) -> str:
    """The file's own text with only what differs in ``plan`` changed.

    Comments, unknown keys, the order of keys and the person's way of writing stay wherever the value stays. Tables
    of a list are matched by name (or frame), then by content, so that comments travel with what they describe.
    Raises BadInput where ``plan`` does not hold together.
    """
    if plan == plan_file.plan:
        return plan_file.text
    text = plan_file.text.replace("\r\n", "\n")
    pieces = cut(text)
    edit = _Edit(plan.units, plan.units != plan_file.plan.units)
    try:
        edit.table(pieces, (), parse_toml(text, plan_file.name), plan_file.plan, plan)
        result = joined(pieces)
    except RecursionError:
        raise one_problem("text", "brackets nested too deeply", "a plan file", plan_file.name) from None
    if parse_plan(result, plan_file.name).plan != plan:
        expected = "tables under headers of their own; save it under a new name to have it written afresh"
        raise one_problem("text", "a layout that cannot be edited in place", expected, plan_file.name)
    return result.replace("\n", "\r\n") if "\r\n" in plan_file.text else result


def save_text(path: str | Path, text: str) -> None:
    """Write a UTF-8 file as a whole or not at all; see :func:`save_bytes`."""
    try:
        data = text.encode("utf-8")
    except UnicodeEncodeError as error:
        raise one_problem("text", f"{text[error.start]!r}", "characters that UTF-8 has", str(path)) from None
    save_bytes(path, data)


def save_bytes(path: str | Path, data: bytes) -> None:
    """Write a file as a whole or not at all: beside it first, then in its place.

    A link stays a link, permissions stay. Raises BadInput where the place cannot be written to.
    """
    path, beside = Path(path), None
    try:
        path = Path(os.path.realpath(path))
        beside = path.with_name(f".{path.name[:40]}-{uuid.uuid4().hex[:8]}.part")
        exists = path.exists()
        if exists and not (path.is_file() and os.access(path, os.W_OK)):
            raise OSError(errno.EACCES, "a folder, a device or a file that may not be changed")
        with beside.open("xb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        if exists:
            shutil.copymode(path, beside)
        os.replace(beside, path)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise one_problem("file", reason.lower(), "a place that can be written to", str(path)) from error
    finally:
        if beside:
            with contextlib.suppress(OSError):
                beside.unlink()


def value_text(kind: Kind, value: Any, unit: str) -> str:
    """One plain value, row or list of rows as TOML."""
    if kind.rows or kind.size is not None:
        inner = dataclasses.replace(kind, rows=False) if kind.rows else dataclasses.replace(kind, size=None)
        items = [value_text(inner, item, unit) for item in value]
        line = f"[{', '.join(items)}]"
        return line if len(line) <= 100 else "[\n" + "".join(f"  {item},\n" for item in items) + "]"
    match kind.quantity:
        case "length":
            return length_text(value, unit)
        case "angle":
            return angle_text(value)
        case "flag":
            return "true" if value else "false"
        case "text" | "choice":
            return tomlkit.item(str(value)).as_string()
        case "count":
            return str(value)
        case _:
            return number_text(value)


_UNIT_WORDS = {"angle": "degrees", "time": "seconds"}


def _table_text(table: Any, keys: tuple[str, ...], listed: bool, unit: str, told: set[type] | None) -> str:
    """A table and all inside it; kinds not yet in ``told`` are explained, none where it is None."""
    cls = type(table)
    explain = told is not None and cls not in told
    lines = []
    if keys:
        brackets = ("[[", "]]") if listed else ("[", "]")
        # What has no name of its own comes in long runs, close together.
        lines += [""] if explain or hasattr(table, "name") or not listed else []
        lines += [f"# {_first_sentence(cls)}"] if explain else []
        lines.append(f"{brackets[0]}{'.'.join(keys)}{brackets[1]}")
    nested = []
    for field in dataclasses.fields(table):
        kind, value = kind_of(field), getattr(table, field.name)
        if kind.quantity == "table":
            nested += [(kind, key_of(field), item) for item in (value if kind.rows else (value,)) if item is not None]
        elif not _is_left_out(field, value):
            about = ", ".join(filter(None, (kind.about, _UNIT_WORDS.get(kind.quantity, ""))))
            comment = f"  # {about}" if explain and about else ""
            lines.append(f"{key_of(field)} = {value_text(kind, value, unit)}{comment}")
    if told is not None:
        told.add(cls)
    text = "".join(f"{line}\n" for line in lines)
    return text + "".join(_table_text(item, (*keys, key), kind.rows, unit, told) for kind, key, item in nested)


def _inline_text(table: Any, unit: str) -> str:
    """A table on one line."""
    parts = []
    for field in dataclasses.fields(table):
        kind, value = kind_of(field), getattr(table, field.name)
        if _is_left_out(field, value):
            continue
        if kind.quantity != "table":
            text = value_text(kind, value, unit)
        elif kind.rows:
            text = f"[{', '.join(_inline_text(item, unit) for item in value)}]"
        else:
            text = _inline_text(value, unit)
        parts.append(f"{key_of(field)} = {text}")
    return "{" + ", ".join(parts).replace("\n", " ").replace(",  ]", "]") + "}"


def _is_left_out(field: dataclasses.Field[Any], value: Any) -> bool:
    """Whether an empty value goes without saying."""
    return value in (None, "", ()) and value == field.default


def _first_sentence(cls: type) -> str:
    line = (inspect.getdoc(cls) or cls.__name__).partition("\n")[0]
    return line.partition(". ")[0].removesuffix(".").replace("``", "")


@dataclasses.dataclass(slots=True)
class _Edit:
    """Changes the pieces of a text in place until they read as the new plan."""

    unit: str
    new_unit: bool  # bare lengths mean something else now: every one is looked at

    def table(self, pieces: list[Piece], address: Address, raw: dict[str, Any], old: Any, new: Any) -> None:
        """One table: its values, then the tables inside it."""
        if old == new and not self.new_unit:
            return
        for field in dataclasses.fields(new):
            kind, key, value = kind_of(field), key_of(field), getattr(new, field.name)
            before = getattr(old, field.name)
            if kind.quantity == "table" and kind.rows:
                self.rows(pieces, address, type(new), field, raw.get(key, []), before, value)
            elif kind.quantity == "table":
                if value is None or key not in raw:
                    self.remove(pieces, (*address, key))
                    if value is not None and value != field.default:
                        self.add(pieces, address, type(new), field, value)
                else:
                    self.table(pieces, (*address, key), raw[key], before, value)
            elif key not in raw:
                if value != field.default:
                    self.set(pieces, address, key, kind, None, value)
            elif _is_left_out(field, value):
                if before != value:
                    self.remove(pieces, (*address, key))
            elif not self.same(kind, raw[key], value):
                self.set(pieces, address, key, kind, raw[key], value)

    def same(self, kind: Kind, raw: Any, value: Any) -> bool:
        """Whether what the person wrote still means the new value."""
        try:
            return bool(read_value(kind, raw, self.unit) == value)
        except BadInput:
            return False

    def set(self, pieces: list[Piece], address: Address, key: str, kind: Kind, raw: Any, value: Any) -> None:
        """Change or add one value of a table."""
        found = _container(pieces, address)
        if found is None:
            piece = Piece("\n", f"[{'.'.join(_keys(address))}]\n", "", address)
            pieces.insert(_first_inside(pieces, address), piece)
            found = piece, tomlkit.document(), None
        piece, body, node = found
        if node is None and key not in body:
            piece.body += f"{key} = {value_text(kind, value, self.unit)}\n"
            return
        self.assign(body if node is None else node, key, kind, raw, value)
        piece.body = body.as_string()

    def assign(self, node: Any, key: Any, kind: Kind, raw: Any, value: Any) -> None:
        """Put a value into a tomlkit container; of a row only the items that differ."""
        if isinstance(raw, list) and isinstance(value, tuple) and len(raw) == len(value):
            inner = dataclasses.replace(kind, rows=False) if kind.rows else dataclasses.replace(kind, size=None)
            for index, (one, item) in enumerate(zip(raw, value, strict=True)):
                if not self.same(inner, one, item):
                    self.assign(node[key], index, inner, one, item)
        else:
            node[key] = tomlkit.value(value_text(kind, value, self.unit))

    def remove(self, pieces: list[Piece], address: Address) -> None:
        """Take out a value or a table with all inside it."""
        pieces[:] = [piece for piece in pieces if not _is_inside(piece, address)]
        if found := _container(pieces, address[:-1]):
            piece, body, node = found
            inside: Any = body if node is None else node
            if address[-1] in inside:
                del inside[address[-1]]
                piece.body = body.as_string()

    def add(self, pieces: list[Piece], address: Address, cls: type, field: dataclasses.Field[Any], value: Any) -> None:
        """A table, or a list of them, where there was none."""
        kind, key = kind_of(field), key_of(field)
        items = value if kind.rows else (value,)
        found = _container(pieces, address)
        if found and isinstance(found[2], InlineTable):
            inline = ", ".join(_inline_text(item, self.unit) for item in items)
            found[2][key] = tomlkit.value(f"[{inline}]" if kind.rows else inline)
            found[0].body = found[1].as_string()
            return
        names = [f.name for f in dataclasses.fields(cls)]
        earlier = [(*address, key_of(f)) for f in dataclasses.fields(cls)[: names.index(field.name)]]
        ahead = [
            place for place, piece in enumerate(pieces)
            if piece.address == address or any(_is_inside(piece, one) for one in earlier)
        ]  # fmt: skip
        spot = ahead[-1] + 1 if ahead else _first_inside(pieces, address)
        pieces[spot:spot] = [self.fresh((*address, key), kind, item) for item in items]

    def fresh(self, address: Address, kind: Kind, item: Any) -> Piece:
        """The piece of a new table."""
        return Piece("", _table_text(item, _keys(address), kind.rows, self.unit, None), "", (*address, _NEW))

    def rows(
        self, pieces: list[Piece], address: Address, cls: type, field: dataclasses.Field[Any],
        raw: list[dict[str, Any]], old: Sequence[Any], new: Sequence[Any],
    ) -> None:  # fmt: skip
        """A list of tables."""
        if old == new and not self.new_unit:
            return
        kind, place = kind_of(field), (*address, key_of(field))
        origins = paired(old, new)
        if not new or not raw:
            self.remove(pieces, place)
            if new:
                self.add(pieces, address, cls, field, new)
        elif not any(_is_inside(piece, place) for piece in pieces):
            self.inline_rows(pieces, place, raw, old, new, origins)
        else:
            groups = _groups(pieces, place, len(raw))
            arranged: list[list[Piece]] = []
            for origin, item in zip(origins, new, strict=True):
                if origin is None:
                    arranged.append([self.fresh(place, kind, item)])
                else:
                    group = list(groups[origin])
                    self.table(group, (*place, origin), raw[origin], old[origin], item)
                    arranged.append(group)
            _arrange(pieces, groups, origins, arranged)

    def inline_rows(
        self, pieces: list[Piece], place: Address,
        raw: list[dict[str, Any]], old: Sequence[Any], new: Sequence[Any], origins: list[int | None],
    ) -> None:  # fmt: skip
        """A list of tables written as one value: [{...}, {...}]."""
        for origin, item in zip(origins, new, strict=True):
            if origin is not None:
                self.table(pieces, (*place, origin), raw[origin], old[origin], item)
        if origins == list(range(len(old))):
            return
        found = _container(pieces, place[:-1])
        assert found is not None
        piece, body, node = found
        inside: Any = body if node is None else node
        key = place[-1]
        texts = [
            _inline_text(item, self.unit) if origin is None else inside[key][origin].as_string().strip()
            for origin, item in zip(origins, new, strict=True)
        ]
        inside[key] = tomlkit.value(f"[{', '.join(texts)}]")
        piece.body = body.as_string()


_NEW = -1  # position of a table that the text did not have


def paired(old: Sequence[Any], new: Sequence[Any]) -> list[int | None]:
    """For every new table the position of the old one it was, or None.

    The same name or frame first, then the same content, then the same content but for the name, then the same place.
    """
    result: list[int | None] = [None] * len(new)
    free = dict.fromkeys(range(len(old)))

    def match(label: Any) -> None:
        places: dict[Any, list[int]] = {}
        for i in reversed(free):
            places.setdefault(label(old[i]), []).append(i)
        for j, item in enumerate(new):
            if result[j] is None and (found := places.get(label(item))) and label(item) is not None:
                result[j] = found.pop()
                del free[result[j]]  # type: ignore[arg-type]

    match(lambda item: getattr(item, "name", getattr(item, "frame", None)))
    match(lambda item: item)
    match(lambda item: dataclasses.replace(item, name="") if hasattr(item, "name") else None)
    for j, item in enumerate(new):
        if result[j] is None and j in free and (not hasattr(item, "name") or _alike(old[j], item)):
            result[j] = j
            del free[j]
    return result


def _alike(one: Any, other: Any) -> bool:
    """Whether two tables share more than half of what they say, their names aside."""
    rest = [f for f in dataclasses.fields(one) if f.name != "name"]
    pairs = [(getattr(one, f.name), getattr(other, f.name), f.default) for f in rest]
    said = [(a, b) for a, b, default in pairs if a != default or b != default]
    return bool(2 * sum(a == b for a, b in said) > len(said))


def _keys(address: Address) -> tuple[str, ...]:
    return tuple(key for key in address if isinstance(key, str))


def _is_inside(piece: Piece, address: Address) -> bool:
    return piece.address is not None and bool(piece.address[: len(address)] == address)


def _first_inside(pieces: list[Piece], address: Address) -> int:
    return next((place for place, piece in enumerate(pieces) if _is_inside(piece, address)), len(pieces))


def _container(pieces: list[Piece], address: Address) -> tuple[Piece, tomlkit.TOMLDocument, Any] | None:
    """The piece in which a table stands, its body, and the table in it (None where it is the body itself)."""
    for end in range(len(address), -1, -1):
        for piece in pieces:
            if piece.address == address[:end]:
                body = tomlkit.parse(piece.body)
                if end == len(address):
                    return piece, body, None
                node: Any = body
                try:
                    for step in address[end:]:
                        node = node[step]
                except (KeyError, IndexError):
                    continue
                return piece, body, node
    return None


def _groups(pieces: list[Piece], place: Address, count: int) -> list[list[Piece]]:
    """The pieces of each table of a list, with the loose comments between pieces of the same table."""
    groups: list[list[Piece]] = [[] for _ in range(count)]
    waiting: list[Piece] = []
    latest = None
    for piece in pieces:
        if piece.address is None:
            waiting.append(piece)
            continue
        index = piece.address[len(place)] if _is_inside(piece, place) else None
        if isinstance(index, int):
            groups[index] += [*waiting, piece] if index == latest else [piece]
        waiting, latest = [], index
    return groups


def _arrange(
    pieces: list[Piece], groups: list[list[Piece]], origins: list[int | None], arranged: list[list[Piece]]
) -> None:
    """Put the tables of a list in their new order; those at its head and tail keep their places in the text."""
    old, new = len(groups), len(arranged)
    head = next((k for k in range(min(old, new)) if origins[k] != k), min(old, new))
    tail = next((k for k in range(min(old, new) - head) if origins[-1 - k] != old - 1 - k), min(old, new) - head)
    instead = {id(piece): [] for group in groups for piece in group}  # type: dict[int, list[Piece]]
    for k in [*range(head), *range(new - tail, new)]:
        group = groups[k] if k < head else groups[k - new + old]
        kept = {id(piece) for piece in arranged[k]}
        if len(arranged[k]) == len(group) and all(id(piece) in kept for piece in group):
            instead |= {id(piece): [piece] for piece in group}
        else:
            instead[id(group[0])] = arranged[k]
    middle = [piece for group in arranged[head : new - tail] for piece in group]
    if head < old - tail:
        instead[id(groups[head][0])] = middle
    elif head:
        instead[id(groups[head - 1][-1])] = [*instead[id(groups[head - 1][-1])], *middle]
    elif old:
        instead[id(groups[0][0])] = [*middle, *instead[id(groups[0][0])]]
    pieces[:] = [other for piece in pieces for other in instead.get(id(piece), [piece])]
