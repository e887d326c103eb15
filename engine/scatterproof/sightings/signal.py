"""From looks and blur to a verdict on every sighting: how well a tracker places it, and if it can't, why not."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from ..camera.track import CameraTrack
from ..plan.criteria import ShotCriteria
from ..stage.layout import BAND, DISC, POINT, Features
from .blockers import Occluder
from .blur import defocus_px, round_disc_px
from .corner import band_covariance, corner_covariances, disc_covariance, point_covariance
from .photometry import Looks, key_blocked
from .sighting import BLURRED, PALE, SEEN, UNCERTAIN, Sightings, larger_sigma

FITS = 0.8  # part of the window that a whole shape may take up: its edges lie well inside
MOST_HALVINGS = 8


@dataclass(frozen=True, slots=True, eq=False)
class Frames:
    """Some frames of a shot as the camera sees them."""

    rows: np.ndarray  # (F,) int  rows of the shot
    uv_px: np.ndarray  # (F, U, 2) pictures of the features, then of what else shows how large they are
    arms: np.ndarray  # (2, N) int  columns of uv_px: a band's ends, two radii of a disc
    rings: Sequence[np.ndarray]  # markers of K corners each, (M, K) columns


def judge_looks(
    sightings: Sightings,
    frames: Frames,
    features: Features,
    looks: Looks,
    track: CameraTrack,
    occluders: Sequence[Occluder],
    criteria: ShotCriteria,
    quick: bool = False,
) -> None:
    """Fill in defocus, shade and covariance of all that is SEEN so far, and say of what can't be tracked why not.

    Too little contrast or too soft or smeared is whichever costs more: softness against the same sighting without any
    blur, paleness against half a stop on the stage's own screen at base exposure. What even that would not save is too
    uncertain by its shape: the straight edge of a flat angle, a corner at a glancing view.

    quick : do not look for which; all that can't be tracked is called too soft or smeared
    """
    shape = sightings.why.shape
    place = np.flatnonzero(sightings.why == SEEN)
    if not len(place):
        return
    row, column = np.divmod(place, shape[1])
    if looks.toward_key is not None:
        blocked = key_blocked(occluders, frames.rows[row], features.position_m[column], looks.toward_key)
        sightings.shaded.reshape(-1)[place] = blocked
    soft = sightings.defocus_px
    depth = sightings.depth_m.reshape(-1)[place]
    soft.reshape(-1)[place] = round_disc_px(defocus_px(track, depth, frames.rows[row]))
    matches = matcher(sightings, frames, features, looks, track, criteria)
    wanted = sightings.why == SEEN
    still = np.zeros((*shape, 2), np.float32)
    found, tracked = matches(wanted, 0.0, soft, sightings.motion_px)
    np.copyto(sightings.covariance, found / 2, where=wanted[..., None])
    failed = wanted & ~tracked
    if quick:
        sightings.why[failed] = BLURRED
    if quick or not failed.any():
        return
    sharp, _ = matches(failed, 0.0, np.zeros((1, 1)), still)
    strong, saved = matches(failed, looks.half_stop, np.zeros((1, 1)), still)
    at = np.flatnonzero(failed)
    own, clear, best = (larger_sigma(one.reshape(-1, 3)[at]) for one in (found, sharp, strong))
    with np.errstate(invalid="ignore", divide="ignore"):
        softness, paleness = own / clear, clear / best  # infinite over infinite says nothing
    pale = np.nan_to_num(paleness, nan=1.0, posinf=np.inf) >= np.nan_to_num(softness, nan=1.0, posinf=np.inf)
    verdict = np.where(pale, PALE, BLURRED)
    sightings.why.reshape(-1)[at] = np.where(saved.reshape(-1)[at], verdict, UNCERTAIN)


Matcher = Callable[[np.ndarray, float, np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray]]


def matcher(
    sightings: Sightings,
    frames: Frames,
    features: Features,
    looks: Looks,
    track: CameraTrack,
    criteria: ShotCriteria,
) -> Matcher:
    """How well sightings would be matched if they were softer, more smeared or stronger than they are.

    Returns a function of wanted (F, N) bool, the least contrast to reckon with, defocus (F, N) and motion (F, N, 2): it
    gives covariances (F, N, 3) of a match from frame to frame, and (F, N) bool, tracked.
    """
    shape = _, n = sightings.why.shape
    shaded = sightings.shaded
    contrast, noise = (_lit(table, shaded) for table in (looks.contrast, looks.noise))
    others = np.flatnonzero(np.isin(features.kind, (DISC, BAND, POINT)))
    flat = frames.uv_px.reshape(-1, 2)
    wide = frames.uv_px.shape[1]
    scale = np.sqrt(track.focal_px[frames.rows].prod(axis=1))

    def matches(
        wanted: np.ndarray, least: float, soft: np.ndarray, motion: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        strong = np.maximum(contrast, least) if least else contrast
        found, tracked = corner_covariances(
            frames.uv_px[:, :n], frames.rings, wanted, strong, noise, soft, motion, criteria.window,
            code_step=looks.code_step, limit_px=criteria.match,
        )  # fmt: skip
        soft, strong_all, noise_all = (np.broadcast_to(z, shape) for z in (soft, strong, noise))
        row, column = np.nonzero(wanted[:, others])
        column = others[column]
        for kind in (DISC, BAND, POINT):
            mine = features.kind[column] == kind
            r, c = row[mine], column[mine]
            if not len(r):
                continue
            given = (strong_all[r, c], noise_all[r, c], soft[r, c], motion[r, c])
            px_per_m = scale[r] / sightings.depth_m[r, c]
            if kind == POINT:
                covariance, tracked[r, c] = point_covariance(
                    features.size_m[c] * px_per_m, *given, criteria.window,
                    code_step=looks.code_step, limit_px=criteria.match,
                )  # fmt: skip
                found[r, c] = covariance.reshape(-1, 4)[:, [0, 1, 3]]
                continue
            ends = np.stack([flat[r * wide + arm[c]] for arm in frames.arms], axis=1)
            if kind == DISC:
                axes = ends - flat[r * wide + c][:, None]
                size = 2 * np.sqrt(np.square(axes).sum(axis=(1, 2)))
                model = partial(_disc, axes)
            else:
                along, pole = ends[:, 1] - ends[:, 0], features.pole_m[c] * px_per_m
                size = np.maximum(np.hypot(*along.T), pole)
                side = np.maximum(_beside(looks, shaded[r, c], c, along, criteria.window), least)
                model = partial(_band, along, pole, side)
            found[r, c], tracked[r, c] = _in_pyramid(model, size, given, criteria, looks.code_step)
        return found, tracked

    return matches


def _in_pyramid(
    model: Callable[..., tuple[np.ndarray, np.ndarray]],
    size_px: np.ndarray,
    given: tuple[np.ndarray, ...],
    criteria: ShotCriteria,
    code_step: float,
) -> tuple[np.ndarray, np.ndarray]:
    """Covariances (R, 3) of discs and bands, and (R,) tracked, each at the pyramid level where the window holds it.

    A tracker of whole shapes matches them where they fit its window: in a picture halved as often as it takes. There
    lengths and noise are halved with it (each pixel is the mean of four), and what is found is doubled again.
    """
    fits = FITS * criteria.window
    level = np.ceil(np.log2(np.maximum(size_px / fits, 1.0))).clip(0, MOST_HALVINGS)
    shrunk = 0.5**level
    contrast, noise, soft, motion = given
    # Rounding adds a twelfth of the step's square to each pixel's variance: it is halved like the noise.
    rounded = np.sqrt(np.square(noise) + code_step**2 / 12) * shrunk
    covariance, _ = model(shrunk, contrast, rounded, soft * shrunk, motion * shrunk[:, None], criteria.window)
    packed = covariance.reshape(-1, 4)[:, [0, 1, 3]]
    packed[:, ::2] /= np.square(shrunk)[:, None]
    packed[:, 1] /= np.square(shrunk)
    return packed, larger_sigma(packed) < criteria.match


def _disc(
    axes_px: np.ndarray,
    shrunk: np.ndarray,
    contrast: np.ndarray,
    noise: np.ndarray,
    soft_px: np.ndarray,
    motion_px: np.ndarray,
    window_px: float,
) -> tuple[np.ndarray, np.ndarray]:
    axes = axes_px * shrunk[:, None, None]
    return disc_covariance(axes, contrast, noise, soft_px, motion_px, window_px, code_step=0.0)


def _band(
    along_px: np.ndarray,
    pole_px: np.ndarray,
    side: np.ndarray,
    shrunk: np.ndarray,
    contrast: np.ndarray,
    noise: np.ndarray,
    soft_px: np.ndarray,
    motion_px: np.ndarray,
    window_px: float,
) -> tuple[np.ndarray, np.ndarray]:
    along, pole = along_px * shrunk[:, None], pole_px * shrunk
    return band_covariance(along, pole, contrast, side, noise, soft_px, motion_px, window_px, code_step=0.0)


def _lit(table: np.ndarray, shaded: np.ndarray) -> np.ndarray:
    """(F, N) or (1, N): the row of ``table`` (K, N) that each sighting's light asks for."""
    return table if len(table) == 1 else np.where(shaded, table[1], table[0])


def _beside(looks: Looks, shaded: np.ndarray, column: np.ndarray, along_px: np.ndarray, window_px: float) -> np.ndarray:
    """(R,) step across the sides of bands: band above, bare pole below, by the squares of what the window holds."""
    light = shaded.astype(int) if len(looks.pole) > 1 else np.zeros(len(column), int)
    share = np.minimum(np.hypot(*along_px.T) / window_px, 1.0)
    band, pole = looks.beside[light, column], looks.pole[light, column]
    step: np.ndarray = np.sqrt(share * band**2 + (1 - share) * pole**2)
    return step
