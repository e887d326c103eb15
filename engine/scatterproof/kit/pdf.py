"""Sheets as one PDF: vectors at true scale, fonts embedded, and a word to the viewer not to scale them."""

from __future__ import annotations

import io
import math
from collections.abc import Iterable, Sequence
from types import MappingProxyType
from typing import Any, Final

import pydyf

from .font import FACES, Font, load_font
from .paper import Mark, Page, Shape, Window, Words, text_width

POINTS: Final = 72 / 25.4  # per millimetre: the default unit of a PDF page is 1/72 in (ISO 32000-1, 8.3.2.3)
SHIFT: Final = MappingProxyType({"start": 0.0, "middle": 0.5, "end": 1.0})


def pages_pdf(pages: Sequence[Page], title: str) -> bytes:
    """The bytes of a PDF with one sheet per page. The same pages give the same bytes."""
    pdf = pydyf.PDF()
    pdf.info["Title"] = pydyf.String(title)
    # A viewer that heeds it offers true size as its first choice (ISO 32000-1, 12.2).
    pdf.catalog["ViewerPreferences"] = "<</PrintScaling /None>>"
    fonts = pydyf.Dictionary({face: _font(pdf, load_font(bold)) for bold, face in enumerate(FACES)})
    resources = pydyf.Dictionary({"Font": fonts})
    for page in pages:
        stream = pydyf.Stream(compress=True)
        stream.set_matrix(POINTS, 0, 0, -POINTS, 0, page.height * POINTS)
        stream.set_line_join(1)
        _draw(stream, page.marks)
        pdf.add_object(stream)
        box = pydyf.Array([0, 0, round(page.width * POINTS, 4), round(page.height * POINTS, 4)])
        pdf.add_page(
            pydyf.Dictionary(
                {
                    "Type": "/Page",
                    "Parent": pdf.pages.reference,
                    "MediaBox": box,
                    "Resources": resources,
                    "Contents": stream.reference,
                }
            )
        )
    out = io.BytesIO()
    pdf.write(out, compress=True)
    return out.getvalue()


def _draw(stream: Any, marks: Iterable[Mark]) -> None:
    for mark in marks:
        if isinstance(mark, Shape):
            _shape(stream, mark)
        elif isinstance(mark, Words):
            _words(stream, mark)
        else:
            _window(stream, mark)


def _window(stream: Any, window: Window) -> None:
    left, top, right, bottom = window.box
    stream.push_state()
    stream.rectangle(*_short(left, top, right - left, bottom - top))
    stream.clip()
    stream.end()
    _draw(stream, window.marks)
    stream.pop_state()


def _shape(stream: Any, shape: Shape) -> None:
    if shape.width:
        stream.set_color_rgb(*shape.stroke, stroke=True)
        stream.set_line_width(shape.width)
        stream.set_dash(shape.dash, 0)
    if shape.fill is not None:
        stream.set_color_rgb(*_short(*shape.fill))
    first, *others = shape.points.tolist()
    stream.move_to(*_short(*first))
    for point in others:
        stream.line_to(*_short(*point))
    if shape.closed:
        stream.close()
    if shape.fill is None:
        stream.stroke()
    elif shape.width:
        stream.fill_and_stroke()
    else:
        stream.fill()


def _words(stream: Any, words: Words) -> None:
    if not words.text:
        return
    font = load_font(words.bold)
    back = SHIFT[words.anchor] * text_width(words.text, words.size, words.bold)
    turn = _turn(words.turn)
    x, y = words.x - back * turn[0], words.y + back * turn[1]
    stream.begin_text()
    stream.set_color_rgb(*_short(*words.colour))
    stream.set_font_size(FACES[words.bold], round(words.size, 4))
    # The page's y runs down; letters stand upright again through this matrix.
    stream.set_text_matrix(*_short(turn[0], -turn[1], -turn[1], -turn[0], x, y))
    stream.show_text("<" + "".join(f"{glyph:04x}" for glyph in font.glyphs(words.text)) + ">")
    stream.end_text()


def _turn(degrees: float) -> tuple[float, float]:

    return math.cos(math.radians(degrees)), math.sin(math.radians(degrees))


def _short(*values: float) -> list[float]:
    """A tenth of a micrometre is fine enough."""
    return [round(float(value), 4) for value in values]


def _font(pdf: Any, font: Font) -> bytes:
    """Embeds a face whole as a composite font whose codes are glyph numbers (ISO 32000-1, 9.7); its reference."""
    file = pydyf.Stream([font.data], {"Length1": len(font.data)}, compress=True)
    pdf.add_object(file)
    unicode_map = pydyf.Stream([_unicode_map(font).encode("ascii")], compress=True)
    pdf.add_object(unicode_map)
    descriptor = pydyf.Dictionary(
        {
            "Type": "/FontDescriptor",
            "FontName": f"/{font.name}",
            "Flags": 4,
            "FontBBox": pydyf.Array([round(edge) for edge in font.box]),
            "ItalicAngle": 0,
            "Ascent": round(font.ascent),
            "Descent": round(font.descent),
            "CapHeight": round(font.ascent),
            "StemV": 80,
            "FontFile2": file.reference,
        }
    )
    pdf.add_object(descriptor)
    own = pydyf.Dictionary(
        {
            "Type": "/Font",
            "Subtype": "/CIDFontType2",
            "BaseFont": f"/{font.name}",
            "CIDSystemInfo": pydyf.Dictionary(
                {"Registry": pydyf.String("Adobe"), "Ordering": pydyf.String("Identity"), "Supplement": 0}
            ),
            "FontDescriptor": descriptor.reference,
            "CIDToGIDMap": "/Identity",
            "W": pydyf.Array([0, pydyf.Array([round(width) for width in font.advance.tolist()])]),
        }
    )
    pdf.add_object(own)
    whole = pydyf.Dictionary(
        {
            "Type": "/Font",
            "Subtype": "/Type0",
            "BaseFont": f"/{font.name}",
            "Encoding": "/Identity-H",
            "DescendantFonts": pydyf.Array([own.reference]),
            "ToUnicode": unicode_map.reference,
        }
    )
    pdf.add_object(whole)
    reference: bytes = whole.reference
    return reference


def _unicode_map(font: Font) -> str:
    """What characters the glyphs stand for, so that text can be searched and copied (ISO 32000-1, 9.10.3)."""
    pairs = sorted({glyph: ord(letter) for letter, glyph in font.glyph_of.items()}.items())
    blocks = []
    for start in range(0, len(pairs), 100):
        lines = "\n".join(f"<{glyph:04x}> <{code:04x}>" for glyph, code in pairs[start : start + 100])
        blocks.append(f"{len(pairs[start : start + 100])} beginbfchar\n{lines}\nendbfchar")
    return (
        "/CIDInit /ProcSet findresource begin\n12 dict begin\nbegincmap\n"
        "/CIDSystemInfo << /Registry (Adobe) /Ordering (UCS) /Supplement 0 >> def\n"
        "/CMapName /Adobe-Identity-UCS def\n/CMapType 2 def\n"
        "1 begincodespacerange\n<0000> <ffff>\nendcodespacerange\n" + "\n".join(blocks) +
        "\nendcmap\nCMapName currentdict /CMap defineresource pop\nend\nend"
    )  # fmt: skip
