"""Older plan files, brought to the current schema in their own text, so that comments stay.

Schema 1 was the first draft: a shot's frame range was two keys ``first`` and ``last``, a camera's shutter was
``shutter_degrees``, and the only criterion stood as ``min_features`` (firm) and ``thin_features`` in the plan or
a shot.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import tomlkit

from .. import sources
from .model import SCHEMA
from .pieces import Piece, cut, joined


def migrated(text: str) -> str:
    """A text of schema 1 as schema 2. Values that make no sense are carried over for the reader to refuse."""
    pieces = cut(text)
    for piece in pieces:
        if piece.address is None:
            continue
        keys = tuple(key for key in piece.address if isinstance(key, str))
        if keys == ():
            _merge(piece, ("schema",), "schema", lambda _: str(SCHEMA))
        if keys in ((), ("shot",)):
            names = "min_features", "thin_features"
            _merge(piece, names, "criteria.features", _features)
        if keys == ("shot",):
            _merge(piece, ("first", "last"), "frames", lambda old: f"[{old[0]}, {old[1]}]" if all(old) else None)
        if keys == ("camera",):
            _merge(piece, ("shutter_degrees",), "shutter", lambda old: old[0])
    return joined(pieces)


def _features(old: Sequence[str | None]) -> str:
    default = sources.FEATURES
    return f"[{old[0] or f'{default.firm:g}'}, {old[1] or f'{default.thin:g}'}]"


def _merge(piece: Piece, names: Sequence[str], new: str, write: Any) -> None:
    """Put one new key in the place of the first of some old ones, with the comments of all of them."""
    body = tomlkit.parse(piece.body)
    old = [body[name].as_string() if name in body else None for name in names]
    value = write(old)
    if not any(old) or value is None:
        return
    item = tomlkit.value(value)
    first = next(body[name] for name in names if name in body)
    comments = [body[name].trivia.comment for name in names if name in body and body[name].trivia.comment]
    item.trivia.comment, item.trivia.comment_ws = " ".join(comments), "  " if comments else ""
    item.trivia.indent, item.trivia.trail = first.trivia.indent, first.trivia.trail
    places = [place for place, (key, _) in enumerate(body.body) if key is not None and key.key in names]
    body.body[places[0]] = (tomlkit.key(new.split(".")), item)
    for place in reversed(places[1:]):
        del body.body[place]
    piece.body = body.as_string()
