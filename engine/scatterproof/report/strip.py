"""Readiness over the frames of a shot: the strip, and the curves under it on the same axis."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..plan.criteria import ShotCriteria
from ..readiness.verdict import STATES, ShotReadiness
from . import drawing as d
from .words import frame_ranges, quantity, say_range

WIDTH, LEFT, RIGHT = 1000.0, 58.0, 98.0
STRIP_Y, STRIP_HEIGHT = 30.0, 26.0
PANEL_TITLE, PANEL_HEIGHT, PANEL_GAP = 22.0, 74.0, 12.0
LOG_FROM = 8  # an axis that reaches this many times its firm limit is logarithmic: what counts is near the limit


@dataclass(frozen=True, slots=True, eq=False)
class Curve:
    """One measure over F frames with its limits (firm, thin)."""

    name: str
    about: str
    value: np.ndarray  # (F,) nan where there is none
    limits: tuple[float, float] | None
    log: bool = False
    whole: bool = False  # counts
    second: np.ndarray | None = None  # (F,) drawn dotted


def runs_of_state(shot: ShotReadiness) -> list[tuple[int, int, int]]:
    """(state, first, last) of every run of consecutive frames in one state, in the order of frames."""
    runs = [
        (state, first, last)
        for state in range(len(STATES))
        for first, last in frame_ranges(shot.frame[shot.state == state])
    ]
    return sorted(runs, key=lambda run: run[1])


def frame_scale(frame: np.ndarray, start: float, end: float) -> d.Scale:
    """The frame axis: a frame owns the unit from its number to the next."""
    return d.Scale(float(frame[0]), float(frame[-1]) + 1, start, end)


def blocks(shot: ShotReadiness, x: d.Scale, y: float, height: float) -> str:
    """The strip itself."""
    return "".join(
        d.element(
            "g",
            d.title(f"frames {say_range(first, last)}: {STATES[state]}")
            + d.state_block(state, x.at(first), y, max(x.at(last + 1) - x.at(first), 0.4), height),
            data_frames=f"{first}-{last}",
            data_state=STATES[state],
        )
        for state, first, last in runs_of_state(shot)
    )


def small_strip(shot: ShotReadiness) -> str:
    """The strip alone, for the index."""
    if not len(shot.frame):
        return ""
    width, height = 300.0, 16.0
    body = blocks(shot, frame_scale(shot.frame, 0, width), 0, height)
    return d.svg(width, height, body, f"readiness of {shot.name} over its frames", "small-strip")


def strip_and_curves(shot: ShotReadiness, criteria: ShotCriteria, tags: Sequence[tuple[str, int]]) -> str:
    """The strip with the measures under it.

    tags : (letter, frame) of the frames that have a picture
    """
    x = frame_scale(shot.frame, LEFT, WIDTH - RIGHT)
    parts = [
        d.label(LEFT - 8, STRIP_Y + STRIP_HEIGHT / 2 + 4, "verdict", text_anchor="end", class_="axis"),
        blocks(shot, x, STRIP_Y, STRIP_HEIGHT),
    ]
    panels, bottom = _panels(shot.frame, curves(shot, criteria), x, STRIP_Y + STRIP_HEIGHT + PANEL_GAP)
    parts += panels
    parts += [_frame_axis(x, bottom), _tags(tags, x, bottom), _hover(shot, x, bottom)]
    about = f"readiness of {shot.name} over its frames, and the measures it rests on"
    return d.svg(WIDTH, bottom + 36, "".join(parts), about, "curves")


def curve_sheet(frame: np.ndarray, curves: Sequence[Curve], about: str) -> str:
    """Measures over frames (F,), one panel each, without a strip."""
    x = frame_scale(frame, LEFT, WIDTH - RIGHT)
    panels, bottom = _panels(frame, curves, x, 0.0)
    return d.svg(WIDTH, bottom + 36, "".join([*panels, _frame_axis(x, bottom)]), about, "curves")


def _panels(frame: np.ndarray, curves: Sequence[Curve], x: d.Scale, top: float) -> tuple[list[str], float]:
    """The panels from ``top`` downwards, and where the last one ends."""
    step = PANEL_TITLE + PANEL_HEIGHT + PANEL_GAP
    return [_panel(frame, c, x, top + i * step) for i, c in enumerate(curves)], top + len(curves) * step - PANEL_GAP


def curves(shot: ShotReadiness, criteria: ShotCriteria) -> list[Curve]:
    """What is drawn under the strip; parallax is not asked of a move that only turns."""
    features = Curve(
        "Trackable features", "in the whole gate; dotted: in the delivery frame", shot.features.astype(float),
        criteria.features, whole=True, second=shot.delivered.astype(float),
    )  # fmt: skip
    depths = Curve(
        "Depths told apart", "distances that the solve can tell from one another", shot.depths.astype(float),
        criteria.depths, whole=True,
    )  # fmt: skip
    out_of_plane = Curve(
        "Out-of-plane signal", "in sigma: how far the motion is from what one flat wall could give",
        shot.out_of_plane_sigma, criteria.out_of_plane, log=True,
    )  # fmt: skip
    about = "in recorded pixels, median over the trackable features"
    blur = Curve("Motion blur", about, shot.blur_px, criteria.blur)
    about = "of an insert at the action point, what 95 of 100 takes stay below, in pixels of the delivery frame"
    drift = Curve("Slide, drift", f"predicted {about}", shot.drift_px, criteria.drift)
    jitter = Curve("Slide, jitter", "likewise, its unrest from frame to frame", shot.jitter_px, criteria.jitter)
    return [features, *([] if shot.rotation_only else [depths, out_of_plane]), blur, drift, jitter]


def value_scale(curve: Curve, top: float) -> d.Scale:
    """The upright axis of a panel: its limits are always on it."""
    drawn = curve.value if curve.second is None else np.concatenate([curve.value, curve.second])
    known, bottom = drawn[np.isfinite(drawn)], top + PANEL_HEIGHT
    if curve.limits is None:
        return d.Scale(0.0, 1.05 * float(known.max(initial=1e-9)), bottom, top)
    firm, thin = curve.limits
    high = max(float(known.max(initial=0.0)), 1.3 * max(firm, thin))
    if curve.log or high > LOG_FROM * max(firm, thin):
        low = 10 ** np.floor(np.log10(max(min(firm, thin), 1e-3) / 10))
        return d.Scale(max(low, 1.0) if curve.whole else low, high * 1.15, bottom, top, log=True)
    return d.Scale(0.0, high * 1.05, bottom, top)


def _panel(frame: np.ndarray, curve: Curve, x: d.Scale, top: float) -> str:
    head, top = top + 14, top + PANEL_TITLE
    y = value_scale(curve, top)
    about = curve.about + ("; logarithmic" if y.log else "")
    parts = [
        d.element(
            "text",
            d.element("tspan", d.escape(curve.name), class_="strong")
            + d.element("tspan", d.escape(about), dx=8, class_="axis"),
            x=LEFT, y=head,
        ),
        *_zones(curve, y, top),
        *_value_axis(y),
        d.element("rect", x=x.start, y=top, width=x.end - x.start, height=PANEL_HEIGHT, class_="frame"),
    ]  # fmt: skip
    if curve.second is not None:
        parts.append(_line(frame, curve.second, x, y, stroke=d.GREY, stroke_dasharray="1.5 3"))
    parts.append(_line(frame, curve.value, x, y, stroke=d.INK))
    return "".join(parts)


def _zones(curve: Curve, y: d.Scale, top: float) -> list[str]:
    """Where a value makes a frame thin or lost, tinted, and the limits with their names."""
    if curve.limits is None:
        return []
    left, width = LEFT, WIDTH - LEFT - RIGHT
    at = [y.at(limit) for limit in curve.limits]
    upwards = curve.limits[0] >= curve.limits[1]  # more is better
    lost_from, lost_to = (at[1], top + PANEL_HEIGHT) if upwards else (top, at[1])
    parts = [
        d.element("rect", x=left, y=min(at), width=width, height=abs(at[0] - at[1]), fill=d.STATE_COLOURS[1],
                  fill_opacity=0.13),
        d.element("rect", x=left, y=lost_from, width=width, height=lost_to - lost_from, fill=d.STATE_COLOURS[2],
                  fill_opacity=0.13),
    ]  # fmt: skip
    sign = "≥" if upwards else "≤"
    for state, (limit, level, text_y) in enumerate(zip(curve.limits, at, d.spread(at, 15), strict=True)):
        right = left + width
        parts += [
            d.element("path", d=d.path_data(np.array([[left, level], [right, level], [right + 8, text_y]]), False),
                      class_="limit", stroke_dasharray="6 3" if state == 0 else "2 3"),
            d.state_glyph(state, right + 15, text_y, 4.2),
            d.label(right + 24, text_y + 4, f"{sign} {quantity(limit)} {STATES[state]}", class_="axis"),
        ]  # fmt: skip
    return parts


def _value_axis(y: d.Scale) -> list[str]:
    if y.log:
        powers = range(int(np.ceil(np.log10(y.low) - 1e-9)), int(np.floor(np.log10(y.high))) + 1)
        step = -(-len(powers) // 4)
        values = [10.0**power for power in powers[::step]]
    else:
        values = d.ticks(0, y.high, 3)
    parts = []
    for value in values:
        level = y.at(value)
        parts += [
            d.element("line", x1=LEFT, x2=WIDTH - RIGHT, y1=level, y2=level, class_="grid"),
            d.label(LEFT - 8, level + 4, f"{value:g}", text_anchor="end", class_="axis"),
        ]
    return parts


def _line(frame: np.ndarray, value: np.ndarray, x: d.Scale, y: d.Scale, **style: object) -> str:
    """A line through the middles of the frames, broken where there is no value; a lone frame is a dash."""
    middle, level = x(frame + 0.5), y(np.maximum(value, y.low))
    known = np.isfinite(value)
    data = []
    for first, last in frame_ranges(np.flatnonzero(known)):
        run = np.stack([middle[first : last + 1], level[first : last + 1]], axis=1)
        half = (x.at(float(frame[first]) + 1) - x.at(float(frame[first]))) / 2
        ends = np.array([[half, 0.0]])
        data.append(d.path_data(np.concatenate([run[:1] - ends, run, run[-1:] + ends]), close=False))
    return d.element("path", d="".join(data), class_="curve", **style) if data else ""


def _frame_axis(x: d.Scale, bottom: float) -> str:
    first, last = int(x.low), int(x.high) - 1
    inner = [int(t) for t in d.ticks(first, last, 10) if t == int(t)]
    room = (last - first) / 24  # the first and the last frame are always named
    shown = sorted({first, last} | {t for t in inner if t - first > room and last - t > room})
    parts = [d.label(0, bottom + 18, "frame", class_="axis")]
    for frame in shown:
        at = x.at(frame + 0.5)
        parts += [
            d.element("line", x1=at, x2=at, y1=bottom, y2=bottom + 5, class_="limit"),
            d.label(at, bottom + 18, str(frame), text_anchor="middle", class_="axis"),
        ]
    return "".join(parts)


def _tags(tags: Sequence[tuple[str, int]], x: d.Scale, bottom: float) -> str:
    """Letters over the strip, and a line down to the axis, for the frames that have a picture."""
    exact = [x.at(frame + 0.5) for _, frame in tags]
    parts = []
    for (letter, frame), at, place in zip(tags, exact, d.spread(exact, 24), strict=True):
        foot = np.array([[place, 20.0], [at, STRIP_Y], [at, bottom]])
        parts += [
            d.element("path", d=d.path_data(foot, close=False), class_="tag-line"),
            d.element("circle", cx=place, cy=11, r=9.5, fill=d.INK),
            d.element("text", d.title(f"picture {letter}: frame {frame}") + letter, x=place, y=15.5,
                      text_anchor="middle", class_="tag"),
        ]  # fmt: skip
    return "".join(parts)


def _hover(shot: ShotReadiness, x: d.Scale, bottom: float) -> str:
    """An unseen column per frame that tells its numbers to a resting pointer."""
    columns, foot = [], d.number(bottom)
    for row, frame in enumerate(shot.frame):
        told = (
            f"{frame} {STATES[shot.state[row]]}: {shot.features[row]} features, {shot.depths[row]} depths, "
            f"{quantity(float(shot.out_of_plane_sigma[row]), 'sigma')}, "
            f"blur {quantity(float(shot.blur_px[row]), 'px')}, "
            f"drift {quantity(float(shot.drift_px[row]), 'px')}, jitter {quantity(float(shot.jitter_px[row]), 'px')}"
        )
        columns.append(d.element("path", d.title(told), d=f"M{d.number(x.at(frame + 0.5))} {d.number(STRIP_Y)}V{foot}"))
    width = x.at(x.low + 1) - x.start
    style = {"stroke": d.INK, "stroke_opacity": 0, "stroke_width": width, "pointer_events": "stroke"}
    return d.element("g", "".join(columns), class_="hover", **style)
