"""How a solve answers when its tracks are off by more than white noise: mean squares of anything that it finds.

A solve takes its sightings' covariances for granted. To first order it is linear in the errors all the same: whatever
linear form of the unknowns is asked for, its row by the sightings is (form) C J^T W, with the covariance C, the slopes
J and the weights W of the solve. Through that row all kinds of errors in :class:`.track_errors.TrackErrors` go.
"""

from __future__ import annotations

import math

import numpy as np

from .covariance import Information, natural_turn, pinned
from .network import Tracks
from .normal import Tile, linearise, tile_of
from .track_errors import TrackErrors, add_up, run_starts

BATCH = 4  # tracks that are carried through at a time
FRAMES_AT_ONCE = 128  # whose poses are asked for together


def squares(root: np.ndarray, size: int) -> np.ndarray:
    """(R / size, size, size): each block of rows of a root (R, ...), times itself."""
    block = root.reshape(len(root) // size, size, math.prod(root.shape[1:]))
    return np.asarray(block @ block.transpose(0, 2, 1))


def answered(
    i: Information, by_frame: np.ndarray, by_point: np.ndarray, by_shared: np.ndarray, tracks: Tracks,
    errors: TrackErrors, size: int,
) -> np.ndarray:  # fmt: skip
    """(R / size, size, size) mean squares of R linear forms, in blocks, for tracks with such ``errors``.

    by_frame, by_point, by_shared : (R, F, c), (R, N, 3), (R, g) the forms times the covariance, in the layout's order
    """
    layout = i.layout
    f, n, r = len(layout.frame_ids), len(layout.point_ids), len(by_frame)
    by_frame = np.ascontiguousarray(by_frame.transpose(1, 0, 2))
    white, walk, drift = errors.over(tracks.frames, tracks.points)
    offset = np.broadcast_to(errors.offset_px, (tracks.frames, tracks.points, 2))
    seen = tracks.seen
    slope = add_up(drift, seen)
    step = np.where(seen & ~run_starts(seen), walk, 0.0)
    frame_place, point_place = np.full(tracks.frames, -1), np.full(tracks.points, -1)
    frame_place[layout.frame_ids], point_place[layout.point_ids] = np.arange(f), np.arange(n)
    row, column = frame_place[tracks.frame], point_place[tracks.point]
    order = np.flatnonzero((row >= 0) & (column >= 0))
    order = order[np.argsort(column[order], kind="stable")]
    edge = np.searchsorted(column[order], np.arange(n + 1))
    out, shared_by_all = np.zeros((r // size, size, size)), np.zeros(r)
    for a in range(0, n, BATCH):
        b = min(a + BATCH, n)
        some, who = order[edge[a] : edge[b]], layout.point_ids[a:b]
        tile = tile_of(tracks, some, row[some], column[some] - a, slice(None), slice(a, b), f, b - a)
        by_sighting = _by_sighting(tile, i, by_frame, by_point, by_shared)  # (F, R, 2, k)
        here = seen[layout.frame_ids][:, who]
        if np.any(errors.white_px2):
            part = white[layout.frame_ids][:, who]
            diagonal = np.sqrt(part[..., 0, 0])
            lower = np.divide(part[..., 0, 1], diagonal, out=np.zeros_like(diagonal), where=diagonal > 0)
            rest = np.sqrt(np.maximum(part[..., 1, 1] - lower**2, 0))
            mixed = np.empty_like(by_sighting)
            mixed[:, :, 0] = by_sighting[:, :, 0] * diagonal[:, None] + by_sighting[:, :, 1] * lower[:, None]
            mixed[:, :, 1] = by_sighting[:, :, 1] * rest[:, None]
            out += squares((mixed * here[:, None, None]).transpose(1, 0, 2, 3), size)
        if np.any(errors.walk_px):
            # A step into a frame shifts the track from there to the end of its run.
            later = np.zeros_like(by_sighting[0])
            shifts = np.empty((tracks.frames, *later.shape))
            for frame in range(tracks.frames - 1, -1, -1):
                if frame + 1 < tracks.frames:
                    later = later * (seen[frame, who] & seen[frame + 1, who])
                if frame_place[frame] >= 0:
                    later = later + by_sighting[frame_place[frame]]
                shifts[frame] = later * step[frame, who]
            out += squares(shifts.transpose(1, 0, 2, 3), size)
        if np.any(errors.drift_px):
            out += squares(np.einsum("fmrk,fk->mrk", by_sighting, slope[layout.frame_ids][:, who]), size)
        beside = offset[layout.frame_ids][:, who] * here[..., None]
        if beside.any():
            shared_by_all += np.einsum("fmrk,fkr->m", by_sighting, beside)
    return np.asarray(out + squares(shared_by_all, size))


def pose_squares(i: Information, tracks: Tracks, errors: TrackErrors) -> np.ndarray:
    """(F, 6, 6) of camera centres (m) and turns (rad), world axes, inner constraints over all centres and points.

    With errors as the solve believes them these are the ones of :func:`.covariance.marginals`. nan in frames that are
    not solved.
    """
    layout, held = i.layout, pinned(i)
    f, c, n = i.frame_root.shape
    turn = natural_turn(i)[:, :6]
    out = np.full((layout.frames, 6, 6), np.nan)
    for start in range(0, f, FRAMES_AT_ONCE):
        at = np.arange(start, min(start + FRAMES_AT_ONCE, f))
        r = 6 * len(at)
        root = (turn[at] @ i.frame_root[at]).reshape(r, n)
        by_frame = (root @ i.frame_root.reshape(f * c, n).T).reshape(len(at), 6, f, c)
        by_point = (root @ i.point_root.reshape(-1, n).T).reshape(r, len(i.point_root), 3)
        by_shared = root @ i.shared_root.T
        if i.frame_own is not None:
            by_frame[np.arange(len(at)), :, at] += turn[at] @ i.frame_own[at]
        by_frame = by_frame.reshape(r, f, c)
        if held:
            free = (turn[at] @ i.frame_gauge[at]).reshape(r, held.shared.shape[1])
            by_frame -= np.einsum("fcd,rd->rfc", held.frame, free)
            by_point -= np.einsum("ncd,rd->rnc", held.point, free)
            by_shared -= free @ held.shared.T
        out[layout.frame_ids[at]] = answered(i, by_frame, by_point, by_shared, tracks, errors, 6)
    return out


def _by_sighting(
    tile: Tile, i: Information, of_frame: np.ndarray, of_point: np.ndarray, of_shared: np.ndarray
) -> np.ndarray:
    """(F, 2 M, 2, k) how the action point's pixels follow each sighting's pixel through the solve."""
    u = i.layout.unknowns
    jacobian = linearise(tile, i.state, u, None)[:, :-1]
    f, _, _, k = jacobian.shape
    white = tile.white[:, :, None]
    if white.shape[1] == 1:
        slope = jacobian * white
    else:
        slope = np.stack(
            [jacobian[:, :, 0] * white[:, 0], jacobian[:, :, 0] * white[:, 1] + jacobian[:, :, 1] * white[:, 2]], axis=2
        )
    first = 3 if u.rotation_only else 0
    own = first + u.per_frame
    out = of_frame @ slope[:, first:own].reshape(f, -1, 2 * k)
    out += of_shared @ slope[:, own:].reshape(f, -1, 2 * k)
    out = out.reshape(f, -1, 2, k)
    here = of_point[:, tile.points]
    for j in range(k):
        out[..., j] += here[:, j] @ slope[:, :3, :, j]
    return np.asarray(out)
