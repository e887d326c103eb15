"""A contact sheet for the director: through the camera, only what must stay in frame, and what may go."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..advise.critical import ALL_STANDS, MARKER, STAND, STANDS, Critical, things_in
from ..readiness.rehearse import Rehearsal
from ..readiness.verdict import LOST, STATES
from ..sightings.sighting import SEEN
from . import drawing as d
from .gate import STUDIO, View, delivery, on_picture, painted, view_of
from .page import document, glyph

WIDTH = 760.0
SAFE = 0.9  # of the delivery frame's sides, about its middle: common practice, no source
MOST_TILES = 12  # of one shot
VEIL = 0.45  # how far the stage recedes


@dataclass(frozen=True, slots=True, eq=False)
class Tile:
    """One numbered picture of a sheet."""

    number: int
    row: int  # of the shot's track
    stay: tuple[Critical, ...]  # what this frame hangs on


def tiles(rehearsal: Rehearsal, critical: Sequence[Critical], first_number: int = 1) -> list[Tile]:
    """The frames to show: the first and last, the middle, and wherever something begins or ends to matter.

    Where that are more than the sheet holds, the ends, and of the others those spread evenly.
    """
    frame = rehearsal.track.frame
    rows = {0, (len(frame) - 1) // 2, len(frame) - 1}
    for one in critical:
        rows |= {int(np.searchsorted(frame, one.first)), int(np.searchsorted(frame, one.last))}
    chosen = sorted(row for row in rows if row < len(frame))
    if len(chosen) > MOST_TILES:
        chosen = [chosen[i] for i in np.linspace(0, len(chosen) - 1, MOST_TILES).round().astype(int)]
    return [
        Tile(first_number + i, row, tuple(c for c in critical if c.first <= frame[row] <= c.last))
        for i, row in enumerate(chosen)
    ]


def director_sheet(shots: Sequence[tuple[Rehearsal, Sequence[Critical]]], title: str) -> str:
    """An HTML page, tiles numbered through all shots; ``shots``: each with what its frames hang on."""
    sections, number = [], 1
    for rehearsal, critical in shots:
        sheet = tiles(rehearsal, critical, number)
        number += len(sheet)
        wants = rehearsal.shot.wants
        sections.append(
            f"<section class='director'><h2><bdi>{d.escape(rehearsal.shot.name)}</bdi></h2>"
            + (f"<p class='wants'>In frame: {d.escape(wants)}</p>" if wants else "")
            + "<div class='tiles'>"
            + "".join(_figure(rehearsal, tile) for tile in sheet)
            + "</div></section>"
        )
    key = (
        "Blue rings and names: must stay in frame. Grey crosses: any one of them may be framed out, struck or crossed. "
        "Full line: delivery frame. Dashed line: nine tenths of it. Outside the full line is recorded and cropped "
        "later: what stands there still helps."
    )
    head = f"<h1>What must stay in frame</h1><p>{d.escape(title)}</p><p class='key'>{key}</p>"
    return document(f"{title}: what must stay in frame", f"<style>{STYLE}</style>{head}{''.join(sections)}")


STYLE = (
    ".director .tiles{display:grid;grid-template-columns:repeat(auto-fill,minmax(430px,1fr));gap:18px}"
    ".director{margin-bottom:44px}.director figure{margin:0;break-inside:avoid}"
    ".director figcaption{font-size:17px;line-height:1.35}"
    ".director .number{display:inline-block;min-width:1.5em;font-size:26px;font-weight:700}"
    "@media print{.director .tiles{grid-template-columns:1fr 1fr}}"
)


def _figure(rehearsal: Rehearsal, tile: Tile) -> str:
    return f"<figure>{tile_picture(rehearsal, tile)}<figcaption>{_caption(rehearsal, tile)}</figcaption></figure>"


def _caption(rehearsal: Rehearsal, tile: Tile) -> str:
    shot = rehearsal.readiness
    state = int(shot.state[tile.row])
    head = (
        f"<span class='number'>{tile.number}</span>{glyph(state, 17)} frame {shot.frame[tile.row]}, {STATES[state]}. "
    )
    return head + d.escape(stay_text(rehearsal, tile))


def stay_text(rehearsal: Rehearsal, tile: Tile) -> str:
    """What must stay and what may go in one frame, in words."""
    if rehearsal.readiness.state[tile.row] == LOST:
        return "This frame does not solve as planned: nothing may go."
    seen = int((rehearsal.sightings.why[tile.row] == SEEN).sum())
    if not tile.stay:
        return f"Nothing hangs on any single thing: of {seen} features any one marker or stand may go."
    names = list(dict.fromkeys(c.name for c in tile.stay if c.kind in (STAND, STANDS, MARKER))) or [
        *dict.fromkeys(c.name for c in tile.stay)
    ]
    worst = max(tile.stay, key=lambda c: c.after)
    more = " and more" if len(names) > 4 else ""
    return f"Keep {', '.join(names[:4])}{more}: else {worst.consequence}. The rest may go."


def tile_picture(rehearsal: Rehearsal, tile: Tile) -> str:
    """The picture of one frame: the stage recedes, what must stay stands out."""
    view = view_of(rehearsal.track, tile.row, WIDTH)
    body = (
        d.element("rect", width=view.width, height=view.height, fill=STUDIO)
        + painted(rehearsal, view)
        + d.element("rect", width=view.width, height=view.height, fill=d.PAPER, fill_opacity=VEIL)
        + delivery(rehearsal.track, view)
        + _safe(rehearsal, view)
        + _marks(rehearsal, tile, view)
    )
    frame = rehearsal.readiness.frame[tile.row]
    return d.svg(view.width, view.height, body, f"frame {frame}: {stay_text(rehearsal, tile)}", "gate")


def _safe(rehearsal: Rehearsal, view: View) -> str:
    low, high = ((edge + 0.5) * view.scale for edge in np.split(rehearsal.track.delivery_px, 2))
    inset = (1 - SAFE) / 2 * (high - low)
    (left, top), (right, bottom) = low + inset, high - inset
    box = np.array([[left, top], [right, top], [right, bottom], [left, bottom]])
    return d.element("path", d=d.path_data(box), fill="none", stroke=d.INK, stroke_width=1, stroke_dasharray="7 5")


def _marks(rehearsal: Rehearsal, tile: Tile, view: View) -> str:
    """Grey crosses on what may go; rings and names on what must stay, each name once."""
    why, owners = rehearsal.sightings.why[tile.row], {thing.name: thing.columns for thing in things_in(rehearsal)}
    seen = why == SEEN
    stay = np.zeros(len(why), bool)
    board = d.LabelBoard(view.width, view.height)
    for one in tile.stay:
        columns = owners.get(one.name, np.zeros(0, int))
        columns = columns[seen[columns]]
        fresh = not stay[columns].any()
        stay[columns] = True
        if not len(columns) or not fresh or one.name == ALL_STANDS:
            continue
        spots = on_picture(rehearsal, tile.row, columns, view)
        x, y = spots[np.argmin(spots[:, 1])]
        board.put(float(x), float(y), one.name, 12, 24)
    crosses = on_picture(rehearsal, tile.row, np.flatnonzero(seen & ~stay), view)
    rings = on_picture(rehearsal, tile.row, np.flatnonzero(stay & seen), view)
    thin = "".join(
        d.element("path", d=f"M{d.number(x - 3)} {d.number(y - 3)}l6 6m0-6l-6 6", stroke=d.INK, stroke_width=1,
                  stroke_opacity=0.55) for x, y in crosses.tolist()
    )  # fmt: skip
    bold = "".join(
        d.element("circle", cx=x, cy=y, r=8, fill="none", stroke=stroke, stroke_width=width)
        for x, y in rings.tolist()
        for stroke, width in ((d.PAPER, 6.5), (d.BLUE, 4))
    )
    return thin + bold + d.element("g", board.markup, class_="on-picture")
