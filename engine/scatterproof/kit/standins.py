"""Stand-ins on the sheets for names in letters that the fonts lack: "wall 2", "markers A", numbered as in the plan."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Iterator, Mapping
from typing import Any, TypeVar, cast

from ..plan.model import Plan
from .font import lacking

Anything = TypeVar("Anything")
MOST_TOLD = 6  # names in a sentence
KINDS = {
    "shots": "shot", "cameras": "camera", "paints": "paint", "patches": "colour", "stands": "stand", "gear": "gear",
    "blockers": "blocker", "markers": "markers", "keepouts": "keep-out", "floors": "floor", "walls": "wall",
    "panels": "panel", "coves": "cove",
}  # fmt: skip


def stand_ins(plan: Plan) -> dict[str, str]:
    """Printable stand-ins of the plan's own names that can't be printed; no two alike, and none that is taken."""
    named = list(_named(plan))
    taken = {name for name, _ in named}
    found: dict[str, str] = {}
    for name, wanted in named:
        if name in found or not lacking(name):
            continue
        free = wanted
        while free in taken:
            free += " *"
        taken.add(free)
        found[name] = free
    return found


def _named(plan: Plan) -> Iterator[tuple[str, str]]:
    """Every name, and what it would be called by its kind and place."""
    yield plan.name, "this stage"
    for owner in (plan, plan.stage):
        for field, kind in KINDS.items():
            for row, entry in enumerate(getattr(owner, field, ())):
                # Markers carry numbers behind their set's name: sets are lettered.
                yield entry.name, f"{kind} {_letters(row) if kind == 'markers' else row + 1}"


def _letters(row: int) -> str:
    """A, B ... Z, AA, AB ..."""
    return (_letters(row // 26 - 1) if row >= 26 else "") + chr(ord("A") + row % 26)


def renamed(thing: Anything, names: Mapping[str, str]) -> Anything:
    """The same with these names replaced in every text in it, at any depth; arrays and numbers stay as they are."""
    if not names:
        return thing
    longest_first = "|".join(re.escape(name) for name in sorted(names, key=len, reverse=True))
    return cast(Anything, _renamed(thing, re.compile(longest_first), names))


def _renamed(thing: Any, pattern: re.Pattern[str], names: Mapping[str, str]) -> Any:
    if isinstance(thing, str):
        return thing if thing.isascii() else pattern.sub(lambda found: names[found[0]], thing)
    if isinstance(thing, (tuple, list)):
        return type(thing)(_renamed(part, pattern, names) for part in thing)
    if isinstance(thing, Mapping):
        return {_renamed(k, pattern, names): _renamed(v, pattern, names) for k, v in thing.items()}
    if dataclasses.is_dataclass(thing) and not isinstance(thing, type):
        own = {f.name: getattr(thing, f.name) for f in dataclasses.fields(thing) if f.init}
        new = {key: _renamed(value, pattern, names) for key, value in own.items()}
        changed = {key: value for key, value in new.items() if value is not own[key]}
        return dataclasses.replace(thing, **changed) if changed else thing
    return thing


def told_to_makers(names: Mapping[str, str]) -> str:
    """One sentence for whoever makes the kit."""
    some = ", ".join(f"“{name}” is {other}" for name, other in list(names.items())[:MOST_TOLD])
    more = f" and {len(names) - MOST_TOLD} more" if len(names) > MOST_TOLD else ""
    return f"The sheets can't print the letters of some names and call them otherwise: {some}{more}. See names.csv."


def told_to_crew(names: Mapping[str, str]) -> str:
    """The same for the sheets themselves, which can't show these names."""
    some = ", ".join(list(names.values())[:MOST_TOLD])
    more = f" and {len(names) - MOST_TOLD} more" if len(names) > MOST_TOLD else ""
    return f"Called otherwise than in the plan, whose letters can't be printed here: {some}{more}. See names.csv."
