"""What is left when a shot cannot be solved: a solve of turns only, or a flat track of the background, in numbers.

Both leave out the camera's travel, and so an insert slides by the parallax between its own depth and that of what was
tracked. That is systematic: it is computed without noise, from the planned move; the tracks' own noise comes on top.
For the plane a homography carries the insert from a reference frame to every other (Hartley & Zisserman, *Multiple
View Geometry*, 2nd ed. 2003, ch. 13); what it leaves is the point's parallax against the plane.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..prove.shot import insert_in_view
from ..readiness.rehearse import Rehearsal
from ..readiness.verdict import LOST, state_below
from ..solve.adjustment import adjust
from ..solve.network import Scene, Tracks, Unknowns
from ..solve.parallax import homography_rest, pinhole_px
from ..solve.slide import measure_slide, slow_part

TURNS, PLANE = "rotation only", "flat track"
DEPTHS = (0.5, 0.75, 1.0, 1.5, 2.0)  # of the action point's distance
LEAST = 8  # tracks without which neither is offered


@dataclass(frozen=True, slots=True, eq=False)
class Fallback:
    """One way out. Depths are distances along the line of sight to the action point at the shot's middle."""

    kind: str  # TURNS or PLANE
    about: str  # what is tracked
    depth_m: np.ndarray  # (D,)
    action: int  # which of them is the action point's
    drift_px: np.ndarray  # (D,) worst drift over the frames in view, delivery pixels; nan where it can't be told
    jitter_px: np.ndarray  # (D,)
    background_m: float  # distance of what is tracked: there nothing slides
    state: int  # FIRM, THIN or LOST, of an insert at the action point by the shot's own limits


def fallbacks(rehearsal: Rehearsal) -> tuple[Fallback, ...]:
    """Both ways out, as far as the shot's tracks allow them; that which slides less at the action point first."""
    r, network = rehearsal, rehearsal.network
    rows = np.flatnonzero(network.seen.sum(axis=1) >= LEAST)
    if not len(rows):
        return ()
    middle = int(rows[len(rows) // 2])
    eye, action = r.track.centre_m[middle], network.action_m
    away = float(np.linalg.norm(action - eye))
    tracked = network.truth.points_m[network.seen[middle]] - eye
    background = float(np.median(np.linalg.norm(tracked, axis=1)))
    depth = np.unique(np.round([*(part * away for part in DEPTHS), background], 3))
    places = eye + (action - eye) / away * depth[:, None]
    at = int(np.argmin(abs(depth - away)))
    places[at] = action
    view = insert_in_view(places, r.track)
    found = []
    for kind, about, slides in (
        (TURNS, "all tracks, the camera's travel left out", _turns(r, places, view)),
        (PLANE, *_plane(r, middle, places, view)),
    ):
        if slides is None:
            continue
        worst = np.array([[_worst(v) for v in part] for part in slides]).T
        drift, jitter = worst * r.track.delivery_scale if kind == PLANE else worst
        limits = (drift[at], r.criteria.drift), (jitter[at], r.criteria.jitter)
        state = max(int(state_below(np.array(value), limit)) for value, limit in limits)
        state = LOST if np.isnan(drift[at]) else state
        found.append(Fallback(kind, about, depth, at, drift, jitter, background, state))
    return tuple(sorted(found, key=lambda f: (f.state, np.nan_to_num(f.drift_px[f.action], nan=np.inf))))


def _worst(slide_px: np.ndarray) -> float:
    length = np.hypot(*slide_px.T)
    known = length[np.isfinite(length)]
    return float(known.max()) if len(known) else float("nan")


def _turns(rehearsal: Rehearsal, places: np.ndarray, view: np.ndarray) -> list[tuple[np.ndarray, np.ndarray]] | None:
    """Drift and jitter (F, 2) of each place when a camera that travels is solved as one that turns."""
    network = rehearsal.network
    if network.seen.any(axis=0).sum() < LEAST:
        return None
    pose = network.truth.world_from_cam.copy()
    pose[:, :3, 3] = pose[:, :3, 3].mean(axis=0)
    tracks = Tracks.from_grid(network.uv_px, network.seen, network.covariance_px2)
    done = adjust(tracks, network.truth.with_parts(world_from_cam=pose), Unknowns(rotation_only=True))
    out = []
    for place, seen in zip(places, view.T, strict=True):
        out.append(
            measure_slide(
                done.scene, _truth(rehearsal), place, seen & done.frames_used,
                delivery_scale=network.delivery_scale,
            )
        )  # fmt: skip
    return out


def _truth(rehearsal: Rehearsal) -> Scene:
    """The planned camera with its travel, as a solve has it, also where the shot is judged as one that only turns."""
    return rehearsal.network.truth.with_parts(world_from_cam=rehearsal.track.world_from_cam)


def _plane(
    rehearsal: Rehearsal, middle: int, places: np.ndarray, view: np.ndarray
) -> tuple[str, list[tuple[np.ndarray, np.ndarray]] | None]:
    """The same for a flat track of the surface that holds most tracks, in recorded pixels."""
    r, network = rehearsal, rehearsal.network
    surface = r.layout.features.surface[network.feature]
    flat = [i for i, s in enumerate(r.layout.surfaces) if s.radius_m == 0]
    counts = [int((network.seen[:, surface == i]).sum()) for i in flat]
    if not counts or max(counts) == 0:
        return "", None
    chosen = flat[int(np.argmax(counts))]
    on = np.flatnonzero(surface == chosen)
    points = network.truth.points_m[on]
    pixels = pinhole_px(points, r.track)
    unit = float(r.track.focal_px[middle, 0])
    trust = (network.seen[:, on] & network.seen[middle, on]).astype(float)
    first = np.broadcast_to(pixels[middle] / unit, pixels.shape)
    _, h = homography_rest(np.nan_to_num(first), np.nan_to_num(pixels / unit), trust)
    good = trust.sum(axis=1) >= 5
    out = []
    for place, seen in zip(places, view.T, strict=True):
        wanted = pinhole_px(place[None], r.track)[:, 0] / unit
        rows = np.flatnonzero(good & seen & np.isfinite(wanted).all(axis=1))
        drift, jitter = np.full((2, len(r.track), 2), np.nan)
        if len(rows) and np.isfinite(wanted[middle]).all():
            left = _carried(h[rows], wanted[middle], wanted[rows]) * unit
            drift[rows] = slow_part(rows) @ left
            jitter[rows] = left - drift[rows]
        out.append((drift, jitter))
    return f"the {r.layout.surfaces[chosen].name}", out


def _carried(h: np.ndarray, start: np.ndarray, wanted: np.ndarray) -> np.ndarray:
    """(M, 2) what homographies (M, 3, 3) leave of a point, put down in the reference picture where that is least."""
    at = start.copy()

    def mapped(place: np.ndarray) -> np.ndarray:
        image = h @ np.append(place, 1.0)
        return np.asarray(image[:, :2] / image[:, 2:])

    for _ in range(8):
        left = mapped(at) - wanted
        slope = np.stack([(mapped(at + step) - mapped(at - step)) / 2e-5 for step in 1e-5 * np.eye(2)], axis=-1)
        at = at - np.linalg.lstsq(slope.reshape(-1, 2), left.ravel(), rcond=None)[0]
    return np.asarray(mapped(at) - wanted)
