"""Widths and glyphs of the fonts the sheets are printed in."""

from __future__ import annotations

import struct
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import MappingProxyType

import numpy as np

FACES = ("DejaVuSansCondensed", "DejaVuSansCondensed-Bold")
MISSING = "\u25a1"  # printed for a character that the fonts lack


@dataclass(frozen=True, slots=True, eq=False)
class Font:
    """One TrueType face. Lengths are thousandths of the font's size."""

    name: str
    data: bytes
    glyph_of: Mapping[str, int]
    advance: np.ndarray  # (G,)
    ascent: float
    descent: float
    box: tuple[float, float, float, float]

    def glyphs(self, text: str) -> list[int]:
        """Glyph numbers of a text; what the font lacks becomes an empty box."""
        other = self.glyph_of[MISSING]
        return [self.glyph_of.get(letter, other) for letter in text]

    def width(self, text: str) -> float:
        """Width of a text as a part of the font's size."""
        return float(self.advance[self.glyphs(text)].sum()) / 1000 if text else 0.0


@cache
def load_font(bold: bool) -> Font:
    """The book or the bold face, read from the package."""
    name = FACES[bold]
    data = (Path(__file__).parent / "fonts" / f"{name}.ttf").read_bytes()
    tables = tables_of(data)
    head, hhea = tables["head"], tables["hhea"]
    per_em = struct.unpack_from(">H", data, head + 18)[0]
    box = struct.unpack_from(">4h", data, head + 36)
    ascent, descent = struct.unpack_from(">2h", data, hhea + 4)
    count = struct.unpack_from(">H", data, hhea + 34)[0]
    advance = np.array(struct.unpack_from(">" + "Hh" * count, data, tables["hmtx"])[::2], float)
    total = struct.unpack_from(">H", data, tables["maxp"] + 4)[0]
    advance = np.concatenate([advance, np.full(total - count, advance[-1])])  # the rest have the last one's width
    scale = 1000 / per_em
    return Font(
        name, data, MappingProxyType(_character_map(data, tables["cmap"])), advance * scale,
        ascent * scale, descent * scale, tuple(edge * scale for edge in box),
    )  # fmt: skip


def lacking(text: str) -> str:
    """The characters of a text that cannot be printed, each once."""
    known = load_font(False).glyph_of
    return "".join(dict.fromkeys(letter for letter in text if letter not in known))


def tables_of(data: bytes) -> dict[str, int]:
    """Where every table of the file starts (OpenType specification, table directory)."""
    count = struct.unpack_from(">H", data, 4)[0]
    records = (struct.unpack_from(">4sLLL", data, 12 + 16 * i) for i in range(count))
    return {tag.decode("ascii"): offset for tag, _, offset, _ in records}


def _character_map(data: bytes, cmap: int) -> dict[str, int]:
    """Glyph number of every character, from the subtable of format 4 (OpenType specification, cmap)."""
    count = struct.unpack_from(">H", data, cmap + 2)[0]
    starts = (cmap + struct.unpack_from(">L", data, cmap + 8 + 8 * i)[0] for i in range(count))
    at = next(start for start in starts if struct.unpack_from(">H", data, start)[0] == 4)
    segments = struct.unpack_from(">H", data, at + 6)[0] // 2
    ends, _, firsts, deltas, offsets = (
        struct.unpack_from(f">{size}H", data, at + 14 + shift)
        for size, shift in (
            (segments, 0), (1, 2 * segments), (segments, 2 * segments + 2),
            (segments, 4 * segments + 2), (segments, 6 * segments + 2),
        )
    )  # fmt: skip
    offsets_at = at + 14 + 6 * segments + 2
    found: dict[str, int] = {}
    for i in range(segments):
        for code in range(firsts[i], ends[i] + 1):
            if code == 0xFFFF:
                continue
            glyph = code
            if offsets[i]:
                where = offsets_at + 2 * i + offsets[i] + 2 * (code - firsts[i])
                glyph = struct.unpack_from(">H", data, where)[0]
                if glyph == 0:
                    continue
            found[chr(code)] = (glyph + deltas[i]) & 0xFFFF
    return found
