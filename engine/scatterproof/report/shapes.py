"""The choice of marker shape for people and programs: two pictures, two tables, and what the numbers stand for."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np

from ..plan.model import Plan
from ..readiness.shapes import PLANNED, TILTS, Layouting, ShapeStudy, Tilted
from ..sources import LIKE, SEARCH_AGAIN
from ..stage.shapes import outlines, plain_outline
from . import drawing as d
from .data import number
from .page import document, foot
from .words import quantity

SCHEMA = 1
WIDTH, ROW, TOP = 1120.0, 40.0, 56.0
MARK_X, NAME_X, BAR_X, BAR = 0.0, 44.0, 330.0, 560.0
PANEL_W, PANEL_H, PANEL_GAP, LEFT = 290.0, 104.0, 34.0, 170.0
OUTLINE_SEED = 4  # of the random marker that is drawn for all

ABOUT = (
    ("corners", "Corners of markers that are tracked in the mean of the frames looked at, by the same rules as in a "
     "rehearsal: in the gate, facing, large enough, unhidden, and placed well enough by a tracker's window."),
    ("doubles", "Corners that have another one within reach whose picture in the tracker's window is so much alike "
     f"(normalised correlation {LIKE.value:g} and more) that a search may take it instead. Reach is what a corner "
     "moves from one frame to the next and a window; where a track is taken up again after a gap (a performer has "
     f"passed), {100 * SEARCH_AGAIN.value:g} % of the gate's width."),
    ("expected jumps", "Corners per frame that noise alone would make jump to their double: one half for the very same "
     "picture, next to nothing where it differs. What makes trackers jump more often is that the right corner has "
     "changed: turned, smeared, half hidden."),
    ("bad azimuth", "The direction in which the picture shrinks when a marker is seen at a glancing angle. Markers "
     "of one shape that all hang alike lose the same corners at once; hung at random angles, not."),
)  # fmt: skip

WEIGH = (
    "Random shapes at random angles are common practice, no source. What to weigh instead: how many corners a marker "
    "gives, whether one direction takes all of them at once (the shaded band, worst to best azimuth), and how many "
    "have a double. Corners count where few are in the gate; doubles count where tracks are often taken up again."
)


def shapes_page(plan: Plan, study: ShapeStudy) -> str:
    """The study as a page of its own."""
    name = d.escape(plan.name)
    facts = (
        f"{study.frames} frames of this plan's shots. A typical tracked corner: marker of "
        f"{quantity(study.sizes_px[-1], 'px')}, contrast {quantity(study.contrast)} code values, noise "
        f"{quantity(study.noise)}, defocus {quantity(study.disc_px, 'px')}."
    )
    terms = "".join(f"<dt>{d.escape(term)}</dt><dd>{d.escape(text)}</dd>" for term, text in ABOUT)
    body = (
        f"<header><p class='kind'>Marker shape</p><h1><bdi>{name}</bdi></h1>"
        f"<p class='summary'>{d.escape(summary(study))}</p><p class='facts'>{d.escape(facts)}</p></header>"
        f"<section><h3>Every shape in this plan's shots, same number and area of markers</h3>"
        f"<div class='scroll'>{_counts_picture(study)}</div></section>"
        f"<section><h3>Corners left per marker at a glancing angle</h3>"
        f"<div class='scroll'>{_tilt_picture(study)}</div><p class='key'>{d.escape(WEIGH)}</p></section>"
        f"{_mistaken_table(study)}<h3>What the words stand for</h3><dl>{terms}</dl>{foot()}"
    )
    return document(f"Marker shape for {plan.name}", body)


def summary(study: ShapeStudy) -> str:
    """Two sentences: who keeps most corners, and who most without a double."""
    if not any(row.corners for row in study.rows):
        return "No marker's corner is tracked in any frame looked at."
    most, safest = max(study.rows, key=lambda row: row.corners), study.rows[0]
    return (
        f"{_name(most).capitalize()} keep most corners, {most.corners:.0f} per frame, {most.doubled_again:.0f} of them "
        f"with a double where a lost track is looked for. Most corners without one, {safest.safe:.0f} per frame: "
        f"{_name(safest)}."
    )


def shapes_json(plan: Plan, study: ShapeStudy) -> dict[str, Any]:
    """What ``shapes.json`` holds."""
    return {
        "schema": SCHEMA,
        "plan": plan.name,
        "frames": study.frames,
        "typical": {
            "size_px": number(study.sizes_px[-1]),
            "contrast": number(study.contrast),
            "noise": number(study.noise),
            "defocus_px": number(study.disc_px),
        },
        "layouts": [
            {key: number(v) if isinstance(v, float) else v for key, v in dataclasses.asdict(row).items()}
            | {"safe": number(row.safe)}
            for row in study.rows
        ],
        "mistaken": [
            {key: number(v) if isinstance(v, float) else v for key, v in dataclasses.asdict(row).items()}
            for row in study.mistaken
        ],
        "glancing": {
            "tilt_deg": np.degrees(TILTS).round(1).tolist(),
            "size_px": [number(size) for size in study.sizes_px],
            "corners": {
                part.shape: {which: getattr(part, which).round(3).tolist() for which in ("mean", "worst", "best")}
                for part in study.tilted
            },
        },
    }


def _name(row: Layouting) -> str:
    if row.arrangement == PLANNED:
        return "the markers as planned"
    plural = {"random": "random shapes", "thin cross": "thin crosses", "thick cross": "thick crosses"}
    return f"{plural.get(row.shape, row.shape + 's')} ({row.arrangement})"


# --- corners and doubles ---------------------------------------------------------------------------------------


def _counts_picture(study: ShapeStudy) -> str:
    most = max((row.corners for row in study.rows), default=1.0) or 1.0
    scale = d.Scale(0, most, BAR_X, BAR_X + BAR)
    heads = [
        (BAR_X, "corners per frame: without a double (filled), with one after a gap (hatched)"),
        (BAR_X + BAR + 16, "fewest"),
        (BAR_X + BAR + 76, "jumps"),
        (BAR_X + BAR + 140, "without"),
    ]
    parts = [d.label(x, TOP - 16, text, 90, class_="axis") for x, text in heads]
    parts += [_counts_row(row, scale, TOP + i * ROW) for i, row in enumerate(study.rows)]
    about = "Tracked corners per frame for every marker shape, and how many of them have a double"
    return d.svg(WIDTH, TOP + ROW * len(study.rows), "".join(parts), about, "curves")


def _counts_row(row: Layouting, scale: d.Scale, y: float) -> str:
    start, safe, end = (scale.at(v) for v in (0.0, row.safe, row.corners))
    own = row.arrangement == PLANNED
    tall, text_y = ROW - 16, y + 19
    told = (
        f"{row.corners:.0f} corners per frame; {row.doubled:.1f} with a double from frame to frame, "
        f"{row.doubled_again:.0f} where a lost track is looked for"
    )
    shape = row.shape or "as planned"
    return d.element(
        "g",
        d.title(told)
        + ("" if own else _mark(row.shape, MARK_X + 18, y + 14, 24))
        + d.label(NAME_X, text_y, shape if own else f"{shape}, {row.arrangement.partition(',')[0]}", 40,
                  class_="strong" if own else "")
        + d.element("rect", x=start, y=y + 3, width=safe - start, height=tall, fill=d.INK if own else d.BLUE)
        + d.element("rect", x=safe, y=y + 3, width=end - safe, height=tall, fill="url(#hatch-2)", stroke=d.GREY)
        + d.label(BAR_X + BAR + 16, text_y, str(row.fewest))
        + d.label(BAR_X + BAR + 76, text_y, f"{row.jumps:.1f}")
        + d.label(BAR_X + BAR + 140, text_y, f"{row.safe:.0f}", class_="strong"),
    )  # fmt: skip


def _mark(shape: str, x: float, y: float, size: float) -> str:
    outline = outlines("random", (6, 6), [OUTLINE_SEED], 1)[0] if shape == "random" else plain_outline(shape)
    return d.element("path", d=d.path_data(outline * [size * 0.8, -size * 0.8] + [x, y]), fill=d.INK)


# --- glancing angles -------------------------------------------------------------------------------------------


def _tilt_picture(study: ShapeStudy) -> str:
    parts = []
    for column, size in enumerate(study.sizes_px):
        x = LEFT + column * (PANEL_W + 18)
        last = " (typical here)" if column == len(study.sizes_px) - 1 and column > 1 else ""
        parts.append(d.label(x, 18, f"marker of {quantity(size, 'px')}{last}", class_="strong"))
    height = 30 + len(study.tilted) * (PANEL_H + PANEL_GAP)
    for line, tilted in enumerate(study.tilted):
        y = 30 + line * (PANEL_H + PANEL_GAP)
        hung = "random angles" if tilted.shape == "random" else "all turned alike"
        parts.append(_mark(tilted.shape, 26, y + 44, 40))
        parts.append(d.label(60, y + 40, tilted.shape, class_="strong") + d.label(60, y + 58, hung, class_="axis"))
        parts += [_panel(tilted, s, LEFT + s * (PANEL_W + 18), y) for s in range(len(study.sizes_px))]
    about = "Corners that survive per marker against the tilt, for every shape and three sizes, worst to best azimuth"
    return d.svg(LEFT + 3 * (PANEL_W + 18), height, "".join(parts), about, "curves")


def _panel(tilted: Tilted, size: int, x: float, y: float) -> str:
    across = d.Scale(0, 85, x + 22, x + PANEL_W)
    up = d.Scale(0, 12, y + PANEL_H, y)
    xs = across(np.degrees(TILTS))
    band = np.concatenate([
        np.column_stack([xs, up(tilted.best[size])]), np.column_stack([xs, up(tilted.worst[size])])[::-1]
    ])  # fmt: skip
    grid = "".join(
        d.element("path", d=f"M{d.number(x + 22)} {d.number(up.at(v))}H{d.number(x + PANEL_W)}", class_="grid")
        + d.label(x + 16, up.at(v) + 4, str(v), text_anchor="end", class_="axis")
        for v in (0, 4, 8, 12)
    )
    feet = "".join(
        d.label(across.at(v), y + PANEL_H + 16, f"{v}°", text_anchor="end" if v == 85 else "middle", class_="axis")
        for v in (0, 30, 60, 85)
    )
    mean = np.column_stack([xs, up(tilted.mean[size])])
    told = ", ".join(
        f"{t:.0f}° {m:.1f}" for t, m in zip(np.degrees(TILTS).tolist(), tilted.mean[size].tolist(), strict=True)
    )
    return d.element(
        "g",
        d.title(f"{tilted.shape}: {told}")
        + grid
        + feet
        + d.element("path", d=d.path_data(band), fill=d.BLUE, fill_opacity=0.22)
        + d.element("path", d=d.path_data(mean, close=False), class_="curve", stroke=d.BLUE),
    )


def _mistaken_table(study: ShapeStudy) -> str:
    if not study.mistaken:
        return "<section><h3>Doubles in the plan as it is</h3><p>None.</p></section>"
    rows = "".join(
        f"<tr><th scope='row'><bdi>{d.escape(m.marker)}</bdi></th><td><bdi>{d.escape(m.other)}</bdi></td>"
        f"<td><bdi>{d.escape(m.shot)}</bdi></td><td class='n'>{m.frame}</td><td class='n'>{m.apart_px:.0f}</td>"
        f"<td class='n'>{m.alike:.3f}</td><td class='n'>{100 * m.chance:.0f} %</td></tr>"
        for m in study.mistaken
    )
    return (
        "<section><h3>Doubles in the plan as it is, the likest first</h3><div class='scroll'><table class='reasons'>"
        "<thead><tr><th>A corner of</th><th>looks like one of</th><th>Shot</th><th class='n'>Frame</th>"
        "<th class='n'>Apart, px</th><th class='n'>Likeness</th><th class='n'>Taken for it, by noise alone</th></tr>"
        f"</thead><tbody>{rows}</tbody></table></div></section>"
    )
