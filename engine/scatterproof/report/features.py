"""Why a feature counts in a frame, or does not: what the tracker gets of it, in numbers and as a picture."""

from __future__ import annotations

import math

import numpy as np

from ..camera.lens import project
from ..readiness.rehearse import Rehearsal
from ..sightings.sighting import (
    AWAY,
    BLURRED,
    HIDDEN,
    MERGED,
    PALE,
    SEEN,
    SHORT,
    SMALL,
    UNCERTAIN,
    WHY,
    larger_sigma,
)
from ..sightings.tracks import runs
from ..stage.layout import BAND, CORNER, FEATURE_KINDS
from . import drawing as d
from .gate import STUDIO, in_gate, painted, view_of
from .words import quantity

MOST = 6  # features told of in one frame
CROP = 150.0  # width of a crop, units
HALF_PX = (22.0, 200.0)  # least and most half width of a crop, recorded pixels
MOST_SPILL_PX = 300.0
STEPS = 7  # pictures that make up a smear
ENLARGED = 10  # how many times over the ellipse of a sigma is drawn
JUDGED = (SEEN, PALE, BLURRED, UNCERTAIN, SHORT)


def feature_section(rehearsal: Rehearsal, row: int) -> str:
    """The most telling features of a frame: crops with what is known of each."""
    columns = telling(rehearsal, row)
    if not columns:
        return ""
    figures = "".join(_figure(rehearsal, row, column) for column in columns)
    frame = int(rehearsal.track.frame[row])
    key = (
        "Crops of the picture, softened and smeared as recorded, brightness aside. Square: the tracking window. "
        "Circle: the defocus disc. Line: motion while the shutter is open. Ellipse: sigma of the feature's place, "
        f"{ENLARGED} times as large."
    )
    return (
        f"<h3>Why features count, or don't, in frame {frame}</h3><div class='crops'>{figures}</div>"
        f"<p class='key'>{d.escape(key)}</p>"
    )


def telling(rehearsal: Rehearsal, row: int) -> list[int]:
    """Features that say most about a frame: its best and its weakest, and of every reason the one nearest to the middle
    of the picture, reasons that took most features first."""
    sightings = rehearsal.sightings
    why, inside = sightings.why[row], in_gate(rehearsal, row)
    chosen: list[int] = []
    seen = np.flatnonzero(inside & (why == SEEN))
    if len(seen):
        sigma = larger_sigma(sightings.covariance[row, seen])
        chosen = [int(seen[sigma.argmin()]), int(seen[sigma.argmax()])]
    away = np.square(sightings.uv_px[row] - rehearsal.track.centre_px).sum(axis=1)
    counts = np.bincount(why[inside], minlength=len(WHY))
    for code in np.argsort(-counts):
        mine = np.flatnonzero(inside & (why == code))
        if code != SEEN and len(mine):
            chosen.append(int(mine[away[mine].argmin()]))
    return list(dict.fromkeys(chosen))[:MOST]


def feature_name(rehearsal: Rehearsal, column: int) -> str:
    """What people call a feature: its owner, and which of the owner's features it is."""
    features = rehearsal.layout.features
    owner = features.owner[column]
    number = column - int(np.flatnonzero(features.owner == owner)[0]) + 1
    name, kind = rehearsal.layout.owner_names[owner], FEATURE_KINDS[features.kind[column]]
    return name if kind == "disc" else f"{name}, {kind} {number}"


def reason_text(rehearsal: Rehearsal, row: int, column: int) -> str:
    """The verdict on one sighting, with the number that decides it and its limit.

    "too small: 3.1 px, 4 px wanted"
    """
    sightings, criteria = rehearsal.sightings, rehearsal.criteria
    code = int(sightings.why[row, column])
    told = WHY[code]
    if code == SMALL:
        told += f": {quantity(_edge_px(rehearsal, row, column), 'px')}, {criteria.smallest_edge:g} px wanted"
    elif code == AWAY:
        told += f": {_tilt_deg(rehearsal, row, column):.1f} degrees, {math.degrees(criteria.steepest):.0f} allowed"
    elif code == MERGED:
        told += f": {quantity(_gap_px(rehearsal, row, column), 'px')} apart, {criteria.apart:g} px wanted"
    elif code == HIDDEN:
        told += f": {_hider(rehearsal, row, column)}"
    elif code == SHORT:
        _, length = runs(np.isin(sightings.why[:, [column]], (SEEN, SHORT)))
        told += f": {int(length[row, 0])}, {criteria.track_frames} wanted"
    else:
        sigma = math.sqrt(2) * float(larger_sigma(sightings.covariance[row, column]))
        match = f"{sigma:.2f} px" if sigma < 100 else "lost"
        told += f": sigma of a match {match}, {criteria.match:g} px allowed"
    return told


def _edge_px(rehearsal: Rehearsal, row: int, column: int) -> float:
    features, track = rehearsal.layout.features, rehearsal.track
    if features.kind[column] == CORNER:
        three = np.stack([features.position_m[column], features.before_m[column], features.after_m[column]])
        uv = project(three, track, slice(row, row + 1))[0][0]
        return float(np.hypot(*(uv[1:] - uv[0]).T).min())
    scale = float(np.sqrt(track.focal_px[row].prod()))
    return float(features.size_m[column]) * scale / float(rehearsal.sightings.depth_m[row, column])


def _tilt_deg(rehearsal: Rehearsal, row: int, column: int) -> float:
    away = rehearsal.track.centre_m[row] - rehearsal.layout.features.position_m[column]
    cosine = float(away @ rehearsal.layout.features.normal[column]) / max(float(np.linalg.norm(away)), 1e-9)
    return math.degrees(math.acos(max(-1.0, min(1.0, cosine))))


def _gap_px(rehearsal: Rehearsal, row: int, column: int) -> float:
    why, uv = rehearsal.sightings.why[row], rehearsal.sightings.uv_px[row]
    others = np.flatnonzero(np.isin(why, (*JUDGED, MERGED)))
    gap = np.hypot(*(uv[others[others != column]] - uv[column]).T)
    return float(gap.min(initial=np.inf))


def _hider(rehearsal: Rehearsal, row: int, column: int) -> str:
    eye, point = rehearsal.track.centre_m[[row]], rehearsal.layout.features.position_m[[column]]
    window = rehearsal.criteria.window / 2 / np.sqrt(rehearsal.track.focal_px[[row]].prod(axis=1))
    frame = np.array([row])
    for occluder in rehearsal.occluders:
        if occluder.hides(frame, eye, point, np.zeros(1))[0]:
            return f"behind {occluder.name}"
    for occluder in rehearsal.occluders:
        if occluder.hides(frame, eye, point, window)[0]:
            return f"at the silhouette of {occluder.name}"
    return "at a silhouette"


# --- the pictures ----------------------------------------------------------------------------------------------


def _figure(rehearsal: Rehearsal, row: int, column: int) -> str:
    sightings = rehearsal.sightings
    counts = sightings.why[row, column] == SEEN
    facts = _facts(rehearsal, row, column)
    lines = "".join(f"<dt>{d.escape(name)}</dt><dd>{d.escape(text)}</dd>" for name, text in facts)
    mark = "ring-0" if counts else "cross-0"
    glyph = (
        "<svg class='glyph' width='18' height='18' viewBox='0 0 18 18'>"
        f"<path d='M9 9h0' marker-start='url(#{mark})'/></svg>"
    )
    said = d.escape(reason_text(rehearsal, row, column))
    return (
        f"<figure>{crop_picture(rehearsal, row, column)}<figcaption><b><bdi>{d.escape(feature_name(rehearsal, column))}"
        f"</bdi></b><p>{glyph} {said}</p><dl>{lines}</dl></figcaption></figure>"
    )


def _facts(rehearsal: Rehearsal, row: int, column: int) -> list[tuple[str, str]]:
    """Names and numbers of what the tracker gets; what was never asked is left out."""
    sightings, looks = rehearsal.sightings, rehearsal.looks
    if sightings.why[row, column] not in JUDGED:
        return []
    light = int(sightings.shaded[row, column]) if len(looks.contrast) > 1 else 0
    sigma = float(larger_sigma(sightings.covariance[row, column]))
    shade = " (key light blocked)" if light else ""
    return [
        (
            "contrast",
            f"{looks.contrast[light, column]:.1f} codes over {looks.noise[light, column]:.1f} of noise{shade}",
        ),
        ("defocus", quantity(float(sightings.defocus_px[row, column]), "px")),
        ("smear", quantity(float(np.hypot(*sightings.motion_px[row, column])), "px")),
        ("sigma", f"{sigma:.3f} px" if sigma < 100 else "lost"),
    ]


def crop_picture(rehearsal: Rehearsal, row: int, column: int) -> str:
    """What is recorded about a feature, enlarged, with the window, disc, motion and ellipse drawn over it."""
    track, sightings, criteria = rehearsal.track, rehearsal.sightings, rehearsal.criteria
    uv = sightings.uv_px[row, column]
    half = float(np.clip(1.3 * _extent_px(rehearsal, row, column), *HALF_PX))
    part = np.concatenate([uv - half, uv + half])
    zoom = CROP / (2 * half)
    judged = sightings.why[row, column] in JUDGED
    disc, smear = float(sightings.defocus_px[row, column]), sightings.motion_px[row, column]
    spill = 3 + (min(disc + float(np.hypot(*smear)), MOST_SPILL_PX) if judged else 0.0)  # blur brings that in
    view = view_of(track, row, zoom * float(track.size_px[0]), part + spill * np.array([-1, -1, 1, 1]))
    x, y = (uv + 0.5) * view.scale
    wide, tall = 2 * half * view.scale
    shapes = painted(rehearsal, view)
    if judged:
        shapes = _softened(shapes, smear * view.scale, disc * zoom)
    ground = d.element("rect", x=x - wide / 2, y=y - tall / 2, width=wide, height=tall, fill=STUDIO)
    about = f"{feature_name(rehearsal, column)} in the recorded picture, {2 * half:.0f} pixels wide"
    body = ground + shapes + _overlay(rehearsal, row, column, np.array([x, y]), view.scale, criteria.window)
    return d.element(
        "svg",
        body,
        xmlns="http://www.w3.org/2000/svg",
        viewBox=" ".join(d.number(v, 2) for v in (x - wide / 2, y - tall / 2, wide, tall)),
        class_="crop",
        role="img",
        aria_label=about,
    )


def _extent_px(rehearsal: Rehearsal, row: int, column: int) -> float:
    """How far about a feature there is something to see."""
    features, sightings = rehearsal.layout.features, rehearsal.sightings
    if features.kind[column] == CORNER:
        return rehearsal.criteria.window
    size = _edge_px(rehearsal, row, column)
    if features.kind[column] == BAND:
        scale = float(np.sqrt(rehearsal.track.focal_px[row].prod())) / float(sightings.depth_m[row, column])
        size = max(size, float(features.pole_m[column]) * scale)
    return max(size, rehearsal.criteria.window)


def _softened(shapes: str, smear: np.ndarray, disc: float) -> str:
    """Shapes blurred by the disc (a Gaussian of the same second moment) and drawn over each other along the smear."""
    soft = f"blur({d.number(min(disc, CROP) / 4, 2)})" if 0.4 < disc < np.inf else "none"
    length = float(np.hypot(*smear))
    steps = STEPS if 1.5 < length < 10 * CROP else 1
    layers = []
    for step in range(steps):
        dx, dy = smear * ((step + 0.5) / steps - 0.5)
        layers.append(
            d.element("g", shapes, transform=f"translate({d.number(dx)} {d.number(dy)})", opacity=1 / (step + 1))
        )
    return d.element("g", "".join(layers), style=f"filter:{soft.replace(')', 'px)')}")


def _overlay(rehearsal: Rehearsal, row: int, column: int, at: np.ndarray, scale: np.ndarray, window_px: float) -> str:
    sightings = rehearsal.sightings
    x, y = at
    wide, tall = window_px * scale
    marks = [_outlined("rect", x=x - wide / 2, y=y - tall / 2, width=wide, height=tall, stroke_dasharray="4 3")]
    disc, smear = float(sightings.defocus_px[row, column]), sightings.motion_px[row, column] * scale
    if 0.5 < disc * scale[0] / 2 < CROP:
        marks.append(_outlined("ellipse", cx=x, cy=y, rx=disc * scale[0] / 2, ry=disc * scale[1] / 2))
    if 1 < np.hypot(*smear) < 10 * CROP:
        ends = np.array([at - smear / 2, at + smear / 2])
        marks.append(_outlined("path", d=d.path_data(ends, close=False)))
    ellipse = _ellipse(sightings.covariance[row, column], at, scale)
    if ellipse is not None:
        marks.append(d.element("path", d=d.path_data(ellipse), fill="none", stroke=d.BLUE, stroke_width=1.6))
    return "".join(marks)


def _outlined(tag: str, **shape: object) -> str:
    """A thin dark line with a light rim, to be seen on any ground."""
    light = d.element(tag, fill="none", stroke=d.PAPER, stroke_width=2.4, stroke_opacity=0.7, **shape)
    return light + d.element(tag, fill="none", stroke=d.INK, stroke_width=1, **shape)


def _ellipse(covariance: np.ndarray, at: np.ndarray, scale: np.ndarray) -> np.ndarray | None:
    xx, xy, yy = (float(v) for v in covariance)
    if not math.isfinite(xx + yy) or max(xx, yy) > 1:
        return None
    values, axes = np.linalg.eigh([[xx, xy], [xy, yy]])
    turn = np.arange(24) * (math.tau / 24)
    round_ = np.stack([np.cos(turn), np.sin(turn)], axis=1) * np.sqrt(np.maximum(values, 0)) @ axes.T
    path: np.ndarray = at + ENLARGED * round_ * scale
    return path
