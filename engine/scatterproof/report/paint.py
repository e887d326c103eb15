"""The choice of marker paint for people and programs: one picture, one table, and what the numbers stand for."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from ..paint.choice import MEASURES, Candidate, PaintStudy
from ..plan.model import Plan
from . import drawing as d
from .gate import colour_of
from .page import document
from .words import quantity

SCHEMA = 1
ROW, TOP, WIDTH = 46.0, 58.0, 1120.0
TILE, TILE_X = 84.0, (212.0, 304.0, 396.0)  # width and places of the three pictures of a marker
RAMP_X, RAMP = 492.0, 112.0  # the soft edge
BARS_X, BAR = 632.0, 61.0  # the merits
MARK = np.array(
    [[-0.95, -0.3], [-0.2, -0.85], [0.75, -0.55], [0.6, 0.25], [0.05, 0.1], [-0.35, 0.8]]
)  # a marker's look
LOST = d.STATE_COLOURS[2]

ABOUT = (
    ("contrast", "Code values between marker and screen in the tracker's channel, under the highest and the lowest "
     "light that markers of this plan get, shadows included; sigma is how well a sharp right-angled corner of it is "
     "matched from frame to frame, softened by the typical defocus of the plan's shots. Merit: 1 - sigma / limit."),
    ("key", "Residue is what the marker leaves in the matte of a clean key (colour difference, in linear light, the "
     "screen's own light divided out): a model of the published formula, no keyer. Crunch is how far the matte's black "
     "must be raised to lose the marker with its noise; so much of every soft edge, hair first, goes with it. "
     "Merit: 1 - crunch."),
    ("rim", "What still shows around a marker's edge then, from defocus and from colour that is recorded coarsely; "
     "where no crunch loses the marker, how far a paint-out has to reach beyond it. Merit: 1 / (1 + px)."),
    ("colours", "What a clean key would hold and the cure for this marker takes: colours no higher in the matte than "
     "the crunch, or, where the marker is painted out by its own colour, all that look like it (CIEDE2000). The share "
     "of all displayable colours, and the plan's patches of wardrobe, props and gear by name. Merit: the share kept."),
    ("headroom", "Stops from the marker's brightest primary in full light to where the recording clips. Merit: 1 from "
     "one stop on."),
    ("cleanup", "Markers that a performer's silhouette cuts in the mean frame of the plan's shots, times the part of a "
     "soft edge that the crunch takes there (all of it where markers are painted out). Merit: 1 / (1 + load)."),
)  # fmt: skip


def paint_page(plan: Plan, study: PaintStudy) -> str:
    """The study as a page of its own."""
    name = d.escape(plan.name)
    head = f"<header><p class='kind'>Marker paint</p><h1><bdi>{name}</bdi></h1></header>"
    return document(f"Marker paint for {plan.name}", head + paint_section(study, ""))


def paint_section(study: PaintStudy, heading: str = "h2") -> str:
    """Picture, table and legend, to stand in any page; no heading of its own where the page is named for it."""
    best = study.candidates[0]
    weights = ", ".join(f"{name} {getattr(study.weights, name):g}" for name in MEASURES)
    scene = study.scene
    said = (
        f"By this plan's weights ({weights}) the first is {best.name}, {best.score:.2f} of 1. Light at markers "
        f"{scene.shade:.2f} to {scene.light:.2f}; typical defocus {quantity(scene.disc_px, 'px')}; "
        f"{quantity(scene.crossings)} markers cut by a silhouette in the mean frame; tracked in {study.channel}. "
        f"The bare screen's own noise asks for a crunch of {study.clean_crunch:.2f} in that shade."
    )
    terms = "".join(f"<dt>{d.escape(term)}</dt><dd>{d.escape(text)}</dd>" for term, text in ABOUT)
    wrapped = f" class='paint'><{heading}>Marker paint</{heading}>" if heading else ">"
    return (
        f"<section{wrapped}<p class='facts'>{d.escape(said)}</p>"
        f"<div class='scroll'>{_picture(study)}</div>{_table(study)}"
        f"<details><summary>What the columns stand for</summary><dl>{terms}</dl></details></section>"
    )


def paint_json(plan: Plan, study: PaintStudy) -> dict[str, Any]:
    """What ``paint.json`` holds; numbers that are not finite become None."""
    rows = []
    for candidate in study.candidates:
        row = dataclasses.asdict(candidate)
        row["merits"] = dict(zip(MEASURES, candidate.merits, strict=True))
        rows.append(_plain(row))
    return {
        "schema": SCHEMA,
        "plan": plan.name,
        "channel": study.channel,
        "screen": list(study.screen),
        "clean_crunch": study.clean_crunch,
        "scene": _plain(dataclasses.asdict(study.scene)),
        "weights": {name: getattr(study.weights, name) for name in MEASURES},
        "candidates": rows,
    }


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, (tuple, list)):
        return [_plain(item) for item in value]
    if isinstance(value, float):
        return float(f"{value:.6g}") if math.isfinite(value) else None
    return value


# --- the picture -----------------------------------------------------------------------------------------------


def _picture(study: PaintStudy) -> str:
    height = TOP + ROW * len(study.candidates) + 8
    heads = [
        *zip(TILE_X, ("in full light", "in shade", "clean matte"), strict=True),
        (RAMP_X, "left of a soft edge"),
    ]
    parts = [d.label(x, 48, text, class_="axis") for x, text in heads]
    for index, measure in enumerate(MEASURES):
        parts.append(d.label(BARS_X + index * BAR, 48, measure, class_="axis"))
    parts.append(d.label(BARS_X + len(MEASURES) * BAR, 48, "score", class_="strong"))
    parts.append(d.label(BARS_X, 26, "merit, 0 to 1", class_="axis"))
    for index, candidate in enumerate(study.candidates):
        parts.append(_row(study, candidate, TOP + index * ROW))
    about = "Every candidate for marker paint on the screen, in light and shade, in the matte, and its merits"
    return d.svg(WIDTH, height, "".join(parts), about, "curves paint-choice")


def _row(study: PaintStudy, candidate: Candidate, y: float) -> str:
    scene, tall = study.scene, ROW - 8
    matte = "#" + f"{round(255 * candidate.residue):02x}" * 3
    parts = [d.label(0, y + tall / 2 + 4, candidate.name, 30, class_="strong")]
    tiles = (
        (colour_of(study.screen, scene.light), colour_of(candidate.linear, scene.light)),
        (colour_of(study.screen, scene.shade), colour_of(candidate.linear, scene.shade)),
        ("#000000", matte),
    )
    for x, (ground, mark) in zip(TILE_X, tiles, strict=True):
        outline = MARK * tall * 0.42 + [x + TILE / 2, y + tall / 2]
        parts.append(d.element("rect", x=x, y=y, width=TILE, height=tall, fill=ground))
        parts.append(d.element("path", d=d.path_data(outline), fill=mark))
    parts.append(_soft_edge(candidate, y, tall))
    for index, merit in enumerate((*candidate.merits, candidate.score)):
        x, whole = BARS_X + index * BAR, BAR - 12
        last = index == len(MEASURES)
        parts.append(d.element("rect", x=x, y=y + tall - 10, width=whole, height=7, fill=d.FAINT, fill_opacity=0.5))
        parts.append(d.element("rect", x=x, y=y + tall - 10, width=whole * merit, height=7,
                               fill=d.INK if last else d.BLUE))  # fmt: skip
        parts.append(d.label(x, y + tall - 15, f"{merit:.2f}", class_="strong" if last else "axis"))
    return d.element("g", "".join(parts))


def _soft_edge(candidate: Candidate, y: float, tall: float) -> str:
    """A hair's edge from screen to foreground as a ramp; what the crunch takes is barred, what is left is filled."""
    foot, cut = y + tall, RAMP_X + RAMP * candidate.crunch
    left = np.array([[cut, foot - tall * candidate.crunch], [RAMP_X + RAMP, y], [RAMP_X + RAMP, foot], [cut, foot]])
    lost = np.array([[RAMP_X, foot], [cut, foot - tall * candidate.crunch], [cut, foot]])
    told = f"crunch {candidate.crunch:.2f}: {100 * (1 - candidate.crunch):.0f} % of a soft edge is left"
    return d.element(
        "g",
        d.title(told)
        + (d.element("path", d=d.path_data(left), fill=d.INK) if candidate.crunch < 1 else "")
        + d.element("path", d=d.path_data(lost), fill="url(#hatch-2)", stroke=LOST, stroke_width=0.8)
        + d.element(
            "path", d=d.path_data(np.array([[RAMP_X, foot], [RAMP_X + RAMP, foot]]), close=False), class_="frame"
        ),
    )


# --- the table -------------------------------------------------------------------------------------------------

COLUMNS = (
    "Paint", "Score", "Contrast, codes", "in shade", "Stops", "Sigma, px", "in shade", "Residue", "Crunch", "Rim, px",
    "Colours lost", "Looks most like", "Headroom, stops", "Cleanup",
)  # fmt: skip


def _table(study: PaintStudy) -> str:
    head = "".join(f"<th{' class=n' if i else ''}>{d.escape(column)}</th>" for i, column in enumerate(COLUMNS))
    rows = "".join(_cells(_texts(candidate)) for candidate in study.candidates)
    return (
        f"<div class='scroll'><table class='reasons paints'><thead><tr>{head}</tr></thead>"
        f"<tbody>{rows}</tbody></table></div>"
    ).replace(" class=n", " class='n'")


def _cells(texts: Sequence[str]) -> str:
    first, *rest = (d.escape(text) for text in texts)
    return (
        f"<tr><th scope='row'><bdi>{first}</bdi></th>"
        + "".join(f"<td class='n'>{text}</td>" for text in rest)
        + "</tr>"
    )


def _texts(candidate: Candidate) -> tuple[str, ...]:
    lost = f"{100 * candidate.lost_colours:.1f} %"
    if candidate.lost_patches:
        lost += "; " + ", ".join(d.shorten(name, 24) for name in candidate.lost_patches)
    nearest = "none"
    if candidate.nearest_patch:
        nearest = f"{d.shorten(candidate.nearest_patch, 24)}, {candidate.nearest_difference:.0f}"
    return (
        d.shorten(candidate.name, 30),
        f"{candidate.score:.2f}",
        f"{candidate.contrast:.1f}",
        f"{candidate.shadow_contrast:.1f}",
        f"{candidate.stops:.2f}",
        _sigma(candidate.sigma_px),
        _sigma(candidate.shadow_sigma_px),
        f"{candidate.residue:.2f}",
        f"{candidate.crunch:.2f}",
        f"{candidate.rim_px:.1f}",
        lost,
        nearest,
        "clips" if candidate.headroom_stops < 0 else quantity(min(candidate.headroom_stops, 20.0)),
        f"{candidate.cleanup:.2f}",
    )


def _sigma(sigma_px: float) -> str:
    return f"{sigma_px:.3f}" if sigma_px < 10 else "lost"
