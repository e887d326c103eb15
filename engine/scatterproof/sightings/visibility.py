"""Which features are seen: in the gate, facing, large enough, unhidden, apart from each other, and clear enough."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from ..camera.lens import image_velocity, project
from ..camera.track import CameraTrack
from ..plan.criteria import ShotCriteria
from ..stage.layout import BAND, CORNER, DISC, Features
from .blockers import Occluder
from .blur import motion_px
from .photometry import Looks, rings_of
from .sighting import AWAY, HIDDEN, MERGED, SEEN, SMALL, Sightings
from .signal import Frames, judge_looks
from .tracks import drop_short

CHUNK_BYTES = 40_000_000
BYTES_PER_SIGHTING = 450  # at the peak of one chunk, all of them in view


def frame_chunks(frames: int, features: int, budget_bytes: int = CHUNK_BYTES) -> Iterator[slice]:
    """Runs of frame rows, each small enough that its sightings' working memory stays within ``budget_bytes``.

    >>> list(frame_chunks(5, 1000, 2 * 1000 * BYTES_PER_SIGHTING))
    [slice(0, 2, None), slice(2, 4, None), slice(4, 5, None)]
    """
    step = max(1, budget_bytes // (BYTES_PER_SIGHTING * max(1, features)))
    return (slice(first, min(first + step, frames)) for first in range(0, frames, step))


def sight_shot(
    features: Features,
    track: CameraTrack,
    occluders: Sequence[Occluder],
    criteria: ShotCriteria,
    looks: Looks | None = None,
    budget_bytes: int = CHUNK_BYTES,
) -> Iterator[tuple[int, Sightings]]:
    """All frames of a shot, chunk by chunk: yields how many frames are done, and the table of all frames so far.

    budget_bytes : working memory of a chunk; a smaller one makes shorter chunks
    It is the same table every time; with the last chunk it is whole, and runs too short to track have been dropped.
    """
    whole = Sightings.blank(len(track), len(features))
    spread = spread_of(features)
    for rows in frame_chunks(len(track), len(features), budget_bytes):
        part = sight(features, track, occluders, criteria, rows, spread, looks)
        for table in part.__slots__:
            getattr(whole, table)[rows] = getattr(part, table)
        if rows.stop == len(track):
            whole.why[:] = drop_short(whole.why, criteria.track_frames)
        yield rows.stop, whole


@dataclass(frozen=True, slots=True, eq=False)
class Spread:
    """The points to project: the features first, then what else shows how large they are in the picture."""

    points_m: np.ndarray  # (U, 3)
    arms: np.ndarray  # (2, N) int  two rows of points_m: a corner's neighbours, a band's ends, two radii of a disc
    rings: tuple[np.ndarray, ...]  # markers of K corners each, (M, K) rows of points_m


def spread_of(features: Features) -> Spread:
    """Each point once: a corner's neighbours mostly are features themselves."""
    position, reach = features.position_m, features.size_m[:, None] / 2
    across = np.cross(features.normal, np.eye(3)[np.argmin(np.abs(features.normal), axis=1)])
    across /= np.maximum(np.linalg.norm(across, axis=1, keepdims=True), 1e-300)
    up = np.cross(features.normal, across)
    kind = features.kind[:, None]
    arms = [
        np.select([kind == CORNER, kind == BAND, kind == DISC], choices, position)
        for choices in (
            [features.before_m, position - reach * [0, 0, 1], position + reach * across],
            [features.after_m, position + reach * [0, 0, 1], position + reach * up],
        )
    ]
    every = np.concatenate([position, *arms]) + 0.0  # no negative zeros
    _, first, group = np.unique(every.view(np.dtype((np.void, 24))).ravel(), return_index=True, return_inverse=True)
    more = first >= len(features)
    column = np.where(more, len(features) + np.cumsum(more) - 1, first)[group]
    return Spread(
        np.concatenate([position, every[first[more]]]), column[len(features) :].reshape(2, -1), rings_of(features)
    )


def sight(
    features: Features,
    track: CameraTrack,
    occluders: Sequence[Occluder],
    criteria: ShotCriteria,
    frames: slice | np.ndarray = slice(None),
    spread: Spread | None = None,
    looks: Looks | None = None,
    quick: bool = False,
) -> Sightings:
    """Sightings in some frames, without regard to the length of tracks.

    frames : rows of ``track``, a slice or (K,) int; the arrays returned have one row per frame of it
    spread : of ``features``, where the caller asks for several chunks
    looks : of ``features``; None: judged by geometry alone, and nothing is known of their covariance
    quick : judge by looks, but leave open why they fail

    Positions and limits are pixels of the recorded gate.
    """
    rows = np.arange(len(track))[frames]
    spread = spread or spread_of(features)
    uv_all, depth_all = project(spread.points_m, track, rows)
    n = len(features)
    uv, depth_m = uv_all[:, :n], depth_all[:, :n]
    found = Sightings.blank(len(rows), n)
    found.uv_px[:], found.depth_m[:] = uv, depth_m
    found.motion_px[:] = motion_px(image_velocity(features.position_m, track, rows), track)

    eye, point = track.centre_m[rows], features.position_m
    distance_m = _distance(eye, point)
    why = found.why
    fair = _in_gate(uv, track.size_px, criteria.window / 2)
    why[fair] = AWAY
    fair &= _facing(eye, features, distance_m, criteria.steepest)
    why[fair] = SMALL
    # From here on the sightings left are a list: (frame row, feature) and the place of that in the tables.
    place = np.flatnonzero(fair)
    place = place[_shortest_px(uv_all, *np.divmod(place, n), features.kind, spread.arms) >= criteria.smallest_edge]
    why.ravel()[place] = HIDDEN
    window_rad = criteria.window / 2 / np.sqrt(track.focal_px[rows].prod(axis=1))
    place = place[~_hidden(occluders, rows, eye, point, place, distance_m, depth_m, window_rad)]
    row, column = np.divmod(place, n)
    crowded = _crowded(row, uv[row, column], criteria.apart)
    why.ravel()[place] = np.where(crowded, np.uint8(MERGED), np.uint8(SEEN))
    if looks is not None:
        view = Frames(rows, uv_all, spread.arms, spread.rings)
        judge_looks(found, view, features, looks, track, occluders, criteria, quick)
    return found


def _in_gate(uv_px: np.ndarray, size_px: np.ndarray, margin_px: float) -> np.ndarray:
    """(F, N) bool: the whole tracking window is recorded. Pixel centres are whole numbers."""
    u, v = uv_px[..., 0], uv_px[..., 1]
    low, (right, bottom) = margin_px - 0.5, size_px - 0.5 - margin_px
    out: np.ndarray = (u >= low) & (u <= right) & (v >= low) & (v <= bottom)
    return out


def _distance(eye_m: np.ndarray, point_m: np.ndarray) -> np.ndarray:
    """(F, N) metres between (F, 3) and (N, 3), by one matrix product: good to a micrometre on any stage."""
    square = np.einsum("fi,fi->f", eye_m, eye_m)[:, None] + np.einsum("ni,ni->n", point_m, point_m)
    out: np.ndarray = np.sqrt(np.maximum(square - 2 * (eye_m @ point_m.T), 0))
    return out


def _facing(eye_m: np.ndarray, features: Features, distance_m: np.ndarray, steepest_rad: float) -> np.ndarray:
    """(F, N) bool: seen from the front, not too obliquely; always where a feature faces every way."""
    height_m = eye_m @ features.normal.T - np.einsum("ni,ni->n", features.position_m, features.normal)
    out: np.ndarray = (height_m >= math.cos(steepest_rad) * distance_m) | ~features.normal.any(axis=1)
    return out


def _shortest_px(
    uv_px: np.ndarray, row: np.ndarray, column: np.ndarray, kind: np.ndarray, arms: np.ndarray
) -> np.ndarray:
    """(R,) a corner's shorter edge, a band's height, the small axis of a disc's ellipse; without bound for a point."""
    flat, base = uv_px.reshape(-1, 2), row * uv_px.shape[1]
    centre = flat.take(base + column, axis=0)
    a, b = (flat.take(base + arm.take(column), axis=0) - centre for arm in arms)
    aa, bb = np.einsum("ri,ri->r", a, a), np.einsum("ri,ri->r", b, b)
    square = np.minimum(aa, bb)
    if np.any(kind != CORNER):
        of = kind[column]
        twist = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
        small = (aa + bb - np.sqrt(np.maximum((aa + bb) ** 2 - 4 * twist**2, 0))) / 2  # squared singular value
        band = np.einsum("ri,ri->r", a - b, a - b)
        square = np.select([of == CORNER, of == BAND, of == DISC], [square, band, 4 * small], np.inf)
    out: np.ndarray = np.sqrt(square)
    return out


def _hidden(
    occluders: Sequence[Occluder],
    rows: np.ndarray,
    eye_m: np.ndarray,
    point_m: np.ndarray,
    place: np.ndarray,
    distance_m: np.ndarray,
    depth_m: np.ndarray,
    window_rad: np.ndarray,
) -> np.ndarray:
    """(R,) bool: behind an occluder, or within half a window of its silhouette, at places (R,) of the (F, N) tables.

    Only lines of sight that pass the sphere around an occluder are handed to it. The window's angle is that of an equal
    solid angle: a pixel's falls with the cube of the cosine towards the edge of the picture.
    """
    hidden = np.zeros(len(place), bool)
    row, column = np.divmod(place, len(point_m))
    distance = distance_m.take(place)
    for occluder in occluders:
        to = occluder.centre_m[rows] - eye_m
        away = np.sqrt(np.einsum("fi,fi->f", to, to))
        outside = away > occluder.radius_m
        toward = to / np.maximum(away, 1e-300)[:, None]
        cone = np.arcsin(np.minimum(occluder.radius_m / np.maximum(away, 1e-300), 1)) + window_rad
        least = np.where(outside, np.cos(cone) - 1e-12, -2)
        along = toward @ point_m.T - np.einsum("fi,fi->f", eye_m, toward)[:, None]
        near = (along.take(place) >= least.take(row) * distance) & (distance >= (away - occluder.radius_m).take(row))
        ray = np.flatnonzero(near & ~hidden)
        r, c = row[ray], column[ray]
        cosine = depth_m[r, c] / distance[ray]
        hidden[ray] = occluder.hides(rows[r], eye_m[r], point_m[c], window_rad[r] * cosine * np.sqrt(cosine))
    return hidden


def _crowded(row: np.ndarray, uv_px: np.ndarray, apart_px: float) -> np.ndarray:
    """(R,) bool: another one is nearer than ``apart_px`` in the same frame.

    Sorted by x within frames, each is compared with the next, the next but one and so on while x alone is near enough.
    """
    crowded = np.zeros(len(row), bool)
    if not len(row):
        return crowded
    x, y = uv_px.T
    key = row * (np.ptp(x) + 2 * apart_px) + x
    order = np.argsort(key)
    key, x, y = key[order], x[order], y[order]
    here, step = np.arange(len(row)), 0
    while len(here):
        step += 1
        here = here[: np.searchsorted(here, len(row) - step)]
        here = here[key[here + step] - key[here] < apart_px]
        close = here[(x[here + step] - x[here]) ** 2 + (y[here + step] - y[here]) ** 2 < apart_px**2]
        crowded[order[close]] = crowded[order[close + step]] = True
    return crowded
