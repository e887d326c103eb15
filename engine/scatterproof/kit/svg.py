"""A sheet as SVG, at true scale."""

from __future__ import annotations

from ..report.drawing import element, escape, number
from .paper import Colour, Mark, Page, Shape, Window, text_width

FAMILY = "'DejaVu Sans Condensed', 'Arial Narrow', Arial, sans-serif"


def page_svg(page: Page) -> str:
    """The text of an SVG file of the page's own size, in millimetres."""
    width, height = number(page.width, 3), number(page.height, 3)
    ground = element("rect", width=page.width, height=page.height, fill="#ffffff")
    body = "".join(_marks(list(page.marks)))
    return element(
        "svg",
        element("title", escape(page.title)) + ground + body,
        xmlns="http://www.w3.org/2000/svg",
        width=f"{width}mm",
        height=f"{height}mm",
        viewBox=f"0 0 {width} {height}",
        font_family=FAMILY,
    )


def _marks(marks: list[Mark]) -> list[str]:
    lines = []
    for index, mark in enumerate(marks):
        if isinstance(mark, Shape):
            lines.append(_shape(mark))
        elif isinstance(mark, Window):
            left, top, right, bottom = mark.box
            box = element("rect", x=left, y=top, width=right - left, height=bottom - top)
            name = f"window{index}"
            body = element("clipPath", box, id=name) + "".join(_marks(list(mark.marks)))
            lines.append(element("g", body, clip_path=f"url(#{name})"))
        elif mark.text:
            turned = f"rotate({number(-mark.turn, 3)} {number(mark.x, 3)} {number(mark.y, 3)})"
            lines.append(
                element(
                    "text",
                    escape(mark.text),
                    x=number(mark.x, 3),
                    y=number(mark.y, 3),
                    font_size=number(mark.size, 3),
                    text_anchor=mark.anchor,
                    fill=_hex(mark.colour),
                    textLength=number(text_width(mark.text, mark.size, mark.bold), 3),
                    lengthAdjust="spacingAndGlyphs",
                    **({"font_weight": "bold"} if mark.bold else {}),
                    **({"transform": turned} if mark.turn else {}),
                )
            )
    return lines


def _shape(shape: Shape) -> str:
    points = "L".join(f"{number(x, 3)} {number(y, 3)}" for x, y in shape.points.tolist())
    style: dict[str, object] = {"fill": "none" if shape.fill is None else _hex(shape.fill)}
    if shape.width:
        style |= {"stroke": _hex(shape.stroke), "stroke_width": number(shape.width, 3), "stroke_linejoin": "round"}
    if shape.dash:
        style["stroke_dasharray"] = " ".join(number(d, 2) for d in shape.dash)
    return element("path", d=f"M{points}" + ("z" if shape.closed else ""), **style)


def _hex(colour: Colour) -> str:
    return "#" + "".join(f"{round(255 * c):02x}" for c in colour)
