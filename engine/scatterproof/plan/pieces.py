"""A TOML text as a list of its tables, so that tables can be added, removed and moved with their comments.

tomlkit keeps comments when values change, but it counts the comment above a [[header]] to the table before it:
removing or moving a table of a list would take the wrong one along. So the text is cut at its headers here, and
tomlkit edits the body of one table at a time.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

Address = tuple[str | int, ...]  # keys and positions from the root, such as ("shot", 1, "move")

_HEADER = re.compile(r"[ \t]*\[\[?[^\[\],=]+\]\]?[ \t]*(#.*)?")
_BLANK_OR_COMMENT = re.compile(r"[ \t\r]*(#.*)?\n?")


@dataclass(slots=True)
class Piece:
    """One table of the text: blank and comment lines above its header, the header line, and what follows it.

    The root has no header; a loose comment (one with a blank line below it) has no address and stays in its place.
    """

    lead: str
    header: str
    body: str
    address: Address | None

    @property
    def text(self) -> str:
        """The piece as it stands in the file."""
        return self.lead + self.header + self.body


def joined(pieces: Iterable[Piece]) -> str:
    """The text again."""
    return "".join(piece.text for piece in pieces)


def cut(text: str) -> list[Piece]:
    """The pieces of a valid TOML text, root first; :func:`joined` gives the text back (ended by a newline).

    >>> [piece.address for piece in cut("a = 1\\n[[b]]\\n[b.c]\\n[[b]]\\n")]
    [(), ('b', 0), ('b', 0, 'c'), ('b', 1)]
    """
    if text and not text.endswith("\n"):
        text += "\n"
    pieces: list[Piece] = []
    counts: dict[Address, int] = {}
    lead, lines = "", [""]
    for line in [*(line + "\n" for line in text.split("\n")[:-1]), None]:
        # A line that looks like a header may stand inside a long string or list: then what is before it is no TOML.
        if line is not None and not (_HEADER.fullmatch(line.rstrip("\r\n")) and _is_toml("".join(lines))):
            lines.append(line)
            continue
        header, body = lines[0], lines[1:]
        ends = _statements_end(body)
        above = _above_header(body, ends) if line is not None else len(body)
        loose = next((k for k in range(ends, above) if not body[k].strip()), above)
        address = _address(header, counts) if header else ()
        pieces.append(Piece(lead, header, "".join(body[:loose]), address))
        if loose < above:
            pieces.append(Piece("".join(body[loose:above]), "", "", None))
        lead, lines = "".join(body[above:]), [line or ""]
    return pieces


def _is_toml(text: str) -> bool:
    try:
        tomllib.loads(text)
    except ValueError:
        return False
    return True


def _statements_end(body: list[str]) -> int:
    """How many lines there are up to the last key's end."""
    end = len(body)
    while end and _BLANK_OR_COMMENT.fullmatch(body[end - 1]):
        end -= 1
    while not _is_toml("".join(body[:end])):  # the last lines of a long string can look like comments
        end += 1
    return end


def _above_header(body: list[str], ends: int) -> int:
    """Where the comment lines directly above the next header begin, blank lines before them included."""
    above = len(body)
    while above > ends and body[above - 1].strip():
        above -= 1
    while above > ends and not body[above - 1].strip():
        above -= 1
    return above


def _address(header: str, counts: dict[Address, int]) -> Address:
    """Where the header's table stands in the data; counts the tables of every list met so far."""
    node: Any = tomllib.loads(header)
    address: Address = ()
    while node:
        ((key, node),) = node.items()
        address = (*address, key)
        if isinstance(node, list):
            node = node[0]
            counts[address] = counts.get(address, -1) + 1
        if address in counts:
            address = (*address, counts[address])
    return address
