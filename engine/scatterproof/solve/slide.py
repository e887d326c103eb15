"""Slide: how far a static insert swims against the picture, in pixels, predicted and measured.

Definition. An insert stands at the action point and never moves. It is placed in the solved world where it fits the
picture best over all frames in view: the constant position with the smallest summed squared error in pixels. (In a
solve without errors that is the action point itself.) *Slide* in a frame is the insert's position as the solved camera
draws it, less the action point's true position in the picture. Since the placement takes up whatever all frames share,
slide does not depend on the datum: shifting, turning or scaling a whole solve changes nothing.

*Drift* is the slow part of the slide, a straight line fitted locally over ``window`` frames; *jitter* is the rest, what
changes from frame to frame. Both follow from the joint covariance of all poses, focal length and distortion.

A one-sigma figure is the root mean square length of the two-dimensional error; the 95 % figure is the length that 95 of
100 takes stay below.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from .covariance import Information
from .network import Scene, Tracks, Unknowns
from .normal import Layout, State, Tile, Unknown, linearise, state_of
from .response import answered, squares
from .track_errors import TrackErrors

WINDOW = 9  # frames: three eighths of a second at 24 frames per second; faster changes are seen as jitter


@dataclass(frozen=True, slots=True, eq=False)
class Slide:
    """Predicted slide of one action point over F frames; nan where it is out of view or the frame is not solved."""

    drift_px2: np.ndarray  # (F, 2, 2) mean square (covariance, and what all takes share), delivery pixels squared
    jitter_px2: np.ndarray  # (F, 2, 2)

    @property
    def drift_sigma_px(self) -> np.ndarray:
        """(F,) root mean square drift."""
        return _length(self.drift_px2)

    @property
    def jitter_sigma_px(self) -> np.ndarray:
        """(F,) root mean square jitter."""
        return _length(self.jitter_px2)

    @property
    def drift_95_px(self) -> np.ndarray:
        """(F,) what the drift stays below in 95 of 100 takes."""
        return radius(self.drift_px2, 0.95)

    @property
    def jitter_95_px(self) -> np.ndarray:
        """(F,) what the jitter stays below in 95 of 100 takes."""
        return radius(self.jitter_px2, 0.95)


def _length(covariance: np.ndarray) -> np.ndarray:
    return np.asarray(np.sqrt(np.trace(covariance, axis1=-2, axis2=-1)))


def radius(covariance: np.ndarray, share: float) -> np.ndarray:
    """(...) the length that ``share`` of all draws from normal errors with ``covariance`` (..., 2, 2) stay below.

    Exact: with x = (s1 r cos t, s2 r sin t) and r^2 exponential, the share beyond R is the mean over t of
    exp(-R^2 / (2 (s1^2 cos^2 t + s2^2 sin^2 t))); solved by bisection.
    """
    values = np.maximum(np.linalg.eigvalsh(np.nan_to_num(covariance)), 0)
    t = (np.arange(64) + 0.5) * (np.pi / 2 / 64)
    spread = values[..., :1] * np.cos(t) ** 2 + values[..., 1:] * np.sin(t) ** 2
    largest = np.sqrt(values[..., 1])
    low, high = np.zeros_like(largest), largest * np.sqrt(-2 * np.log1p(-share))
    for _ in range(60):
        middle = (low + high) / 2
        with np.errstate(divide="ignore", invalid="ignore"):
            beyond = np.exp(-(middle[..., None] ** 2) / (2 * spread)).mean(-1)
        inside = beyond > 1 - share
        low, high = np.where(inside, middle, low), np.where(inside, high, middle)
    return np.asarray(np.where(np.isfinite(covariance).all((-2, -1)), high, np.nan))


def slow_part(frame: np.ndarray, window: int = WINDOW) -> np.ndarray:
    """(M, M) matrix that takes values at the frame numbers ``frame`` (M,) to their slow part.

    A straight line is fitted over the frames within half a window; a lone frame is its own slow part.
    """
    gap = (frame[None, :] - frame[:, None]).astype(float)
    near = (np.abs(gap) <= window // 2).astype(float)
    s0, s1, s2 = near.sum(1), (near * gap).sum(1), (near * gap * gap).sum(1)
    det = s0 * s2 - s1 * s1
    line = near * (s2[:, None] - s1[:, None] * gap)
    return np.asarray(np.where(det[:, None] > 0, line / np.where(det > 0, det, 1)[:, None], near / s0[:, None]))


def slide(
    information: Information,
    action_m: np.ndarray,
    in_view: np.ndarray | None = None,
    *,
    frames: np.ndarray | None = None,
    tracks: Tracks | None = None,
    errors: TrackErrors | None = None,
    window: int = WINDOW,
    delivery_scale: float = 1.0,
) -> Slide:
    """Predicted slide at ``action_m`` (3,), from the joint covariance of all poses; or at many points (A, 3) at once.

    ``in_view`` (F,) or (A, F) bool: where the action point is in the picture; by default where it is before the camera.
    ``frames`` (F,) bool: where slide is wanted, of those; fewer are cheaper and come out the same. Without ``errors``
    the sightings' own covariances are true (white noise). With them (and the ``tracks`` they belong to) the solve is
    still the one that takes the sightings' covariances for granted, but the errors that go in are ``errors``.
    ``delivery_scale``: delivery pixels per recorded pixel.

    What is the same in every take counts by its square, as if it were another error.

    Linear: where a shot is badly posed (see :func:`.covariance.solvability`) this is only a lower bound.
    """
    i = information
    layout = i.layout
    if errors is not None and tracks is None:
        raise ValueError("errors need the tracks they belong to")
    actions = np.atleast_2d(action_m)
    view = np.ones((len(actions), layout.frames), bool) if in_view is None else np.atleast_2d(in_view)
    wanted = np.ones(layout.frames, bool) if frames is None else frames
    drift, jitter = np.full((2, len(actions), layout.frames, 2, 2), np.nan)
    asked = []
    for action, seen in zip(actions, view, strict=True):
        depth = ((action - i.state.centre) * i.state.rotation[:, 2]).sum(1)
        at = np.flatnonzero(seen[layout.frame_ids] & (depth > 0))
        asked.append(_Asked.of(i, action, at, np.flatnonzero(wanted[layout.frame_ids[at]]), window))
    if errors is None:
        sums = np.concatenate([_white(i, one) for one in asked])
    else:
        sums = _coloured(i, asked, tracks, errors)  # type: ignore[arg-type]
    edge = np.cumsum([0, *(len(one.rows) // 2 for one in asked)])
    for place, one in enumerate(asked):
        there, own = layout.frame_ids[one.frames], sums[edge[place] : edge[place + 1]] * delivery_scale**2
        drift[place, there], jitter[place, there] = own.reshape(2, len(there), 2, 2)
    shape = (*np.shape(action_m)[:-1], layout.frames, 2, 2)
    return Slide(drift.reshape(shape), jitter.reshape(shape))


@dataclass(frozen=True, slots=True, eq=False)
class _Asked:
    """Slide of one point as linear forms of the unknowns, R = 4 per frame: x and y of all drifts, then of all jitters.

    Each form already has the best constant placement of the insert taken off.
    """

    frames: np.ndarray  # frames, in the layout's order, where slide is wanted
    at: np.ndarray  # (M,) where the point is in view
    rows: np.ndarray  # (R, M, c) by the unknowns of the frames in view
    shared: np.ndarray  # (R, g)

    @staticmethod
    def of(information: Information, action_m: np.ndarray, at: np.ndarray, wanted: np.ndarray, window: int) -> _Asked:
        """Forms at frames ``at`` (M,), wanted at the places ``wanted`` of these."""
        by_place, by_frame, by_shared = picture_rows(information.layout.unknowns, information.state, action_m, at)
        m = len(at)
        slow = slow_part(information.layout.frame_ids[at], window)[wanted]
        both = np.concatenate([slow, np.eye(m)[wanted] - slow])
        forms = np.kron(both, np.eye(2))
        if m:
            basis = range_of(by_place.reshape(-1, 3))
            forms = forms - (forms @ basis) @ basis.T
        rows = np.einsum("rma,mac->rmc", forms.reshape(len(forms), m, 2), by_frame)
        return _Asked(at[wanted], at, rows, forms @ by_shared.reshape(2 * m, by_shared.shape[2]))

    def picture(self, information: Information) -> np.ndarray:
        """(R, n) the forms' part of the covariance's root."""
        i = information
        (r, m, c), n = self.rows.shape, i.frame_root.shape[2]
        rows, frames = self.rows.reshape(r, m * c), i.frame_root[self.at].reshape(m * c, n)
        return np.asarray(rows @ frames + self.shared @ i.shared_root)


def _at(frames: int, at: np.ndarray, rows: np.ndarray) -> np.ndarray:
    """(R, F, c) ``rows`` (R, M, c) at their frames, zero elsewhere."""
    out = np.zeros((len(rows), frames, rows.shape[2]))
    out[:, at] = rows
    return out


def worst_step(information: Information, action_m: np.ndarray, in_view: np.ndarray) -> Unknown:
    """How the unknowns move along with the combination of drifts that has the largest sigma: a step of one sigma."""
    i = information
    depth = ((action_m - i.state.centre) * i.state.rotation[:, 2]).sum(1)
    at = np.flatnonzero(in_view[i.layout.frame_ids] & (depth > 0))
    asked = _Asked.of(i, action_m, at, np.arange(len(at)), WINDOW)
    drifts = slice(0, 2 * len(at))
    root, rows = asked.picture(i)[drifts], asked.rows[drifts]
    square = root @ root.T
    if i.frame_own is not None:
        own = np.einsum("rmc,mcd->rmd", rows, i.frame_own[at])
        square += np.einsum("rmd,smd->rs", own, rows)
    values, vectors = np.linalg.eigh(square)
    sigma = float(np.sqrt(max(values[-1], 0.0)))
    along = root.T @ vectors[:, -1] / max(sigma, 1e-300)
    frames = i.frame_root @ along
    if i.frame_own is not None:
        frames[at] += np.einsum("r,rmd->md", vectors[:, -1], own) / max(sigma, 1e-300)
    return Unknown(frames, (i.point_root @ along).T, i.shared_root @ along)


def picture_rows(
    u: Unknowns, state: State, action_m: np.ndarray, at: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Slopes of the action point's pixel in frames ``at`` (M,): by its place (M, 2, 3), the frame's unknowns (M, 2, c),
    the shared ones (M, 2, g).
    """
    state = replace(state, point=action_m[:, None])
    m = len(at)
    tile = Tile(at, slice(0, 1), np.zeros((m, 2, 1)), np.ones((m, 1, 1)), None)
    slopes = linearise(tile, state, u, None)[..., 0].transpose(0, 2, 1)
    first = 3 if u.rotation_only else 0
    own = first + u.per_frame
    return slopes[..., :3], slopes[..., first:own], slopes[..., own:-1]


def range_of(matrix: np.ndarray) -> np.ndarray:
    """Orthonormal basis of the columns (M, 3): two only for a camera that never moves."""
    u, s, _ = np.linalg.svd(matrix, full_matrices=False)
    return np.asarray(u[:, s > 1e-9 * s[0]])


def _white(i: Information, asked: _Asked) -> np.ndarray:
    """(R / 2, 2, 2) covariance of each pair of forms, for true weights."""
    out = squares(asked.picture(i), 2)
    if i.frame_own is not None:
        out += squares(np.einsum("rmc,mcd->rmd", asked.rows, np.linalg.cholesky(i.frame_own[asked.at])), 2)
    return out


def _coloured(i: Information, asked: list[_Asked], tracks: Tracks, errors: TrackErrors) -> np.ndarray:
    """The same for all points when the tracks' errors are ``errors``."""
    picture = np.concatenate([one.picture(i) for one in asked])
    f, c, n = i.frame_root.shape
    by_frame = (picture @ i.frame_root.reshape(f * c, n).T).reshape(len(picture), f, c)
    if i.frame_own is not None:
        by_frame += np.concatenate(
            [_at(f, one.at, np.einsum("rmc,mcd->rmd", one.rows, i.frame_own[one.at])) for one in asked]
        )
    by_point = (picture @ i.point_root.reshape(-1, n).T).reshape(len(picture), len(i.point_root), 3)
    return answered(i, by_frame, by_point, picture @ i.shared_root.T, tracks, errors, 2)


def measure_slide(
    solved: Scene,
    truth: Scene,
    action_m: np.ndarray,
    in_view: np.ndarray | None = None,
    *,
    window: int = WINDOW,
    delivery_scale: float = 1.0,
) -> tuple[np.ndarray, np.ndarray]:
    """Drift and jitter (F, 2) that an insert at ``action_m`` (3,) has in a solve, by the definition above.

    ``solved`` should be aligned with ``truth`` roughly (the place is found by Gauss-Newton from ``action_m``); the
    result does not depend on how. Frames out of view are nan.
    """
    wanted, depth = picture_of(truth, action_m)
    view = (depth > 0) if in_view is None else in_view & (depth > 0)
    at = np.flatnonzero(view)
    drift, jitter = np.full((2, len(truth), 2), np.nan)
    if not len(at):
        return drift, jitter
    place = action_m.astype(float)
    for _ in range(20):
        drawn, slope = _picture_slope(solved, place, at)
        u, s, vt = np.linalg.svd(slope.reshape(-1, 3), full_matrices=False)
        keep = s > 1e-9 * s[0]  # a camera that never moves does not fix the distance
        step = -vt[keep].T @ ((u[:, keep].T @ (drawn - wanted[at]).ravel()) / s[keep])
        place = place + step
        if np.linalg.norm(step) < 1e-10 * max(float(np.linalg.norm(place)), 1.0):
            break
    left = (picture_of(solved, place)[0] - wanted)[at] * delivery_scale
    drift[at] = slow_part(at, window) @ left
    jitter[at] = left - drift[at]
    return drift, jitter


def picture_of(scene: Scene, point_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(F, 2) pixels and (F,) depths of one fixed point."""
    layout, state = _lone_point(scene, point_m)
    tile = Tile(slice(None), slice(0, 1), np.zeros((len(scene), 2, 1)), np.ones((len(scene), 1, 1)), None)
    depth = ((point_m - state.centre) * state.rotation[:, 2]).sum(1)
    with np.errstate(divide="ignore", invalid="ignore"):
        return linearise(tile, state, layout.unknowns, None)[:, -1, :, 0], depth


def _picture_slope(scene: Scene, point_m: np.ndarray, at: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    layout, state = _lone_point(scene, point_m)
    tile = Tile(at, slice(0, 1), np.zeros((len(at), 2, 1)), np.ones((len(at), 1, 1)), None)
    rows = linearise(tile, state, layout.unknowns, None)[..., 0]
    return rows[:, -1], rows[:, :3].transpose(0, 2, 1)


def _lone_point(scene: Scene, point_m: np.ndarray) -> tuple[Layout, State]:
    layout = Layout(np.arange(len(scene)), np.array([0]), Unknowns(), True, (), 0, len(scene), 1)
    return layout, state_of(scene.with_parts(points_m=point_m[None]), layout)
