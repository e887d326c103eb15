"""What a bundle adjustment works on: cameras and points, their sightings, and what is known beforehand.

F frames, N points, K sightings. World in metres; camera axes x right, y down, z forward; pixel (0, 0) is the
centre of the top-left pixel.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..problems import frozen_array

# Columns of a camera's inner parameters, in this order; the lens is Brown-Conrady's.
FOCAL, K1, K2, P1, P2, K3 = range(6)


def _freeze(owner: object, **arrays: np.ndarray) -> None:
    for name, array in arrays.items():
        array.flags.writeable = False
        object.__setattr__(owner, name, array)


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """Cameras and points: the truth, a start, or a solution.

    ``focal_px`` is the focal length across; down it is ``aspect`` times that. ``distortion`` may be given once for
    all frames. Raises ValueError where shapes do not fit or a number is not finite.
    """

    world_from_cam: np.ndarray  # (F, 4, 4)  rigid, metres
    points_m: np.ndarray  # (N, 3)
    focal_px: np.ndarray  # (F,), or one number
    centre_px: np.ndarray  # (2,)       principal point
    distortion: np.ndarray | tuple[float, ...] = (0.0,) * 5  # (F, 5) or (5,)  k1, k2, p1, p2, k3
    aspect: float = 1.0

    def __post_init__(self) -> None:
        pose = frozen_array("world_from_cam", self.world_from_cam, (None, 4, 4))
        f = len(pose)
        focal, distortion = np.asarray(self.focal_px, float), np.asarray(self.distortion, float)
        _freeze(
            self,
            world_from_cam=pose,
            points_m=frozen_array("points_m", self.points_m, (None, 3)),
            focal_px=frozen_array("focal_px", np.broadcast_to(focal, (f,)) if focal.ndim == 0 else focal, (f,)),
            centre_px=frozen_array("centre_px", self.centre_px, (2,)),
            distortion=frozen_array(
                "distortion", np.broadcast_to(distortion, (f, 5)) if distortion.ndim == 1 else distortion, (f, 5)
            ),
        )
        for name in ("world_from_cam", "points_m", "focal_px", "centre_px", "distortion"):
            if not np.isfinite(getattr(self, name)).all():
                raise ValueError(f"{name} holds a number that is not finite")

    def __len__(self) -> int:
        return len(self.world_from_cam)

    @property
    def cam_from_world_rotation(self) -> np.ndarray:
        """(F, 3, 3) rotations that turn world axes into camera axes."""
        return np.ascontiguousarray(self.world_from_cam[:, :3, :3].transpose(0, 2, 1))

    @property
    def centres_m(self) -> np.ndarray:
        """(F, 3) camera centres in the world."""
        return self.world_from_cam[:, :3, 3]

    @property
    def inner(self) -> np.ndarray:
        """(F, 6) focal length and distortion, columns FOCAL, K1, K2, P1, P2, K3."""
        return np.column_stack([self.focal_px, self.distortion])

    def with_parts(self, **parts: object) -> Scene:
        """The same scene with some fields replaced."""
        return replace(self, **parts)  # type: ignore[arg-type]


@dataclass(frozen=True, slots=True, eq=False)
class Tracks:
    """K sightings of N points in F frames, as a list. See :meth:`from_grid` for the dense form.

    ``white`` whitens a residual: upper triangle (w00, w01, w11) of the matrix W with W^T W the inverse of the
    sighting's covariance; a column vector (K, 1) where the covariance is round.
    """

    frame: np.ndarray  # (K,) int
    point: np.ndarray  # (K,) int
    uv_px: np.ndarray  # (K, 2)
    white: np.ndarray  # (K, 1) or (K, 3)
    frames: int  # F
    points: int  # N

    def __post_init__(self) -> None:
        _freeze(self, frame=self.frame, point=self.point, uv_px=self.uv_px, white=self.white)

    @staticmethod
    def from_list(
        frame: np.ndarray,
        point: np.ndarray,
        uv_px: np.ndarray,
        covariance_px2: np.ndarray | float = 1.0,
        *,
        frames: int | None = None,
        points: int | None = None,
    ) -> Tracks:
        """Sightings by row: ``frame`` and ``point`` (K,), ``uv_px`` (K, 2), ``covariance_px2`` (K, 2, 2), (K,) or one.

        Raises ValueError for shapes that do not fit, numbers that are not finite, a sighting that is given twice,
        frames or points out of range, or a covariance that is not positive definite.
        """
        frame, point, uv = np.asarray(frame, int), np.asarray(point, int), np.asarray(uv_px, float)
        k = len(frame)
        if frame.shape != (k,) or point.shape != (k,) or uv.shape != (k, 2):
            raise ValueError(f"frame {frame.shape}, point {point.shape}, uv_px {uv.shape}; wanted (K,), (K,), (K, 2)")
        f = int(frame.max(initial=-1)) + 1 if frames is None else frames
        n = int(point.max(initial=-1)) + 1 if points is None else points
        for name, index, count in (("frame", frame, f), ("point", point, n)):
            if ((index < 0) | (index >= count)).any():
                raise ValueError(f"{name} out of range: {index.min()} to {index.max()}; wanted 0 to {count - 1}")
        if not np.isfinite(uv).all():
            bad = int(np.flatnonzero(~np.isfinite(uv).all(1))[0])
            raise ValueError(f"uv_px is not finite in frame {frame[bad]}, point {point[bad]}")
        key = frame * n + point
        if len(np.unique(key)) < k:
            raise ValueError("a sighting of one point in one frame is given twice")
        return Tracks(frame.copy(), point.copy(), uv.copy(), _whitening(covariance_px2, k), f, n)

    @staticmethod
    def from_grid(
        uv_px: np.ndarray, seen: np.ndarray | None = None, covariance_px2: np.ndarray | float = 1.0
    ) -> Tracks:
        """Dense tracks: ``uv_px`` (F, N, 2), ``seen`` (F, N) bool, ``covariance_px2`` (F, N, 2, 2), (F, N) or one.

        Unless ``seen`` is given, a sighting is seen where its position is finite. Raises as :meth:`from_list`.
        """
        uv = np.asarray(uv_px, float)
        if uv.ndim != 3 or uv.shape[2] != 2:
            raise ValueError(f"uv_px has shape {uv.shape}; wanted (F, N, 2)")
        mask = np.isfinite(uv).all(2) if seen is None else np.asarray(seen, bool)
        if mask.shape != uv.shape[:2]:
            raise ValueError(f"seen has shape {mask.shape}; wanted {uv.shape[:2]}")
        covariance = np.asarray(covariance_px2, float)
        if covariance.ndim:
            covariance = np.broadcast_to(covariance, (*uv.shape[:2], *covariance.shape[2:]))[mask]
        frame, point = np.nonzero(mask)
        return Tracks.from_list(frame, point, uv[mask], covariance, frames=uv.shape[0], points=uv.shape[1])

    def __len__(self) -> int:
        return len(self.frame)

    def only(self, keep: np.ndarray) -> Tracks:
        """The sightings that ``keep`` (K,) bool marks, numbering of frames and points unchanged."""
        return Tracks(self.frame[keep], self.point[keep], self.uv_px[keep], self.white[keep], self.frames, self.points)

    @property
    def seen(self) -> np.ndarray:
        """(F, N) bool: which points are sighted in which frames."""
        out = np.zeros((self.frames, self.points), bool)
        out[self.frame, self.point] = True
        return out

    def times(self, factor: np.ndarray) -> Tracks:
        """The same with each point's sigmas multiplied by ``factor`` (N,)."""
        white = self.white / np.asarray(factor)[self.point, None]
        return Tracks(self.frame, self.point, self.uv_px, white, self.frames, self.points)


def _whitening(covariance_px2: np.ndarray | float, k: int) -> np.ndarray:
    """(K, 1) for round covariances, else (K, 3): w00, w01, w11 of the upper triangle W, W^T W = inverse covariance."""
    cov = np.asarray(covariance_px2, float)
    if cov.ndim == 0:
        cov = np.full(k, float(cov))
    if cov.shape == (k,):
        if not (np.isfinite(cov) & (cov > 0)).all():
            raise ValueError("covariance_px2 must be finite and positive")
        return np.asarray(1 / np.sqrt(cov))[:, None]
    if cov.shape != (k, 2, 2):
        raise ValueError(f"covariance_px2 has shape {cov.shape}; wanted ({k}, 2, 2), ({k},) or one number")
    a, b, d = cov[:, 0, 0], cov[:, 0, 1], cov[:, 1, 1]
    det = a * d - b * b
    if not (np.isfinite(cov).all() and (a > 0).all() and (det > 0).all()):
        raise ValueError("covariance_px2 must be finite and positive definite")
    # The inverse is [d, -b; -b, a] / det; its factor with W^T W, upper triangle.
    w00 = np.sqrt(d / det)
    return np.column_stack([w00, -b / det / w00, 1 / np.sqrt(d)])


@dataclass(frozen=True, slots=True, eq=False)
class Survey:
    """Surveyed positions of some points, with their full covariance: a prior of the adjustment.

    Raises ValueError where the covariance is not symmetric and positive definite.
    """

    point: np.ndarray  # (S,) int     which points
    at_m: np.ndarray  # (S, 3)
    covariance_m2: np.ndarray  # (3 S, 3 S)   rows x, y, z of the first point, then of the next; or (S, 3, 3)

    def __post_init__(self) -> None:
        point = frozen_array("point", self.point, (None,), int)
        s = len(point)
        cov = np.asarray(self.covariance_m2, float)
        if cov.shape == (s, 3, 3):
            full = np.zeros((s, 3, s, 3))
            full[np.arange(s), :, np.arange(s)] = cov
            cov = full.reshape(3 * s, 3 * s)
        cov = frozen_array("covariance_m2", cov, (3 * s, 3 * s))
        at = frozen_array("at_m", self.at_m, (s, 3))
        if not (np.isfinite(cov).all() and np.isfinite(at).all()):
            raise ValueError("a survey must be finite")
        if len(np.unique(point)) < s:
            raise ValueError("a point is surveyed twice")
        try:
            np.linalg.cholesky(cov)
        except np.linalg.LinAlgError:
            raise ValueError("covariance_m2 is not positive definite") from None
        if not np.allclose(cov, cov.T, rtol=1e-9, atol=0):
            raise ValueError("covariance_m2 is not symmetric")
        _freeze(self, point=point, at_m=at, covariance_m2=cov)

    def __len__(self) -> int:
        return len(self.point)

    @property
    def by_point(self) -> bool:
        """Whether the errors of different points are independent."""
        s = len(self)
        blocks = self.covariance_m2.reshape(s, 3, s, 3).transpose(0, 2, 1, 3)
        return not blocks[~np.eye(s, dtype=bool)].any()


@dataclass(frozen=True, slots=True)
class Unknowns:
    """What the adjustment solves for, beside poses and points.

    ``focal``: "fixed", "shared" (one for the shot) or "frame" (one per frame, for zooms). ``distortion``: any of
    K1, K2, P1, P2, K3; once for the shot, or per camera where ``distortion_per_frame``. ``rotation_only``: camera
    centres stay where they are, and points are directions (nodal shots).
    """

    focal: str = "fixed"
    distortion: tuple[int, ...] = ()
    distortion_per_frame: bool = False
    rotation_only: bool = False

    def __post_init__(self) -> None:
        if self.focal not in ("fixed", "shared", "frame"):
            raise ValueError(f"focal is {self.focal!r}; wanted 'fixed', 'shared' or 'frame'")
        if not set(self.distortion) <= {K1, K2, P1, P2, K3} or len(set(self.distortion)) < len(self.distortion):
            raise ValueError(f"distortion is {self.distortion!r}; wanted different ones of {K1} to {K3}")

    @property
    def of_frame(self) -> tuple[int, ...]:
        """Inner parameters with one value per frame."""
        return (FOCAL,) * (self.focal == "frame") + (self.distortion if self.distortion_per_frame else ())

    @property
    def shared(self) -> tuple[int, ...]:
        """Inner parameters with one value for the shot."""
        return (FOCAL,) * (self.focal == "shared") + (() if self.distortion_per_frame else self.distortion)

    @property
    def per_frame(self) -> int:
        """Unknowns of one frame."""
        return (3 if self.rotation_only else 6) + len(self.of_frame)
