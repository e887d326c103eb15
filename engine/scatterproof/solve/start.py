"""A solve from nothing: from tracks alone to poses and points.

A pair of frames with much parallax and many common tracks begins (two-view motion, :mod:`.twoview`). Every motion that
the pair allows is tried on a few frames, and the one that fits best goes on: on one plane two motions fit a pair, and
only further frames tell them apart. Then rounds of resection, triangulation, robust adjustment and rejection of
blunders until no frame can be added; last, the adjustment with all unknowns.

A camera that only turns shows no parallax: it is solved for its rotation alone, and labelled so. What cannot be started
is returned as :class:`NotStarted`, a falsy value that says why.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..camera.axes import pose
from ..camera.lens import undistort
from .adjustment import Adjusted, Rule, adjust
from .network import Scene, Tracks, Unknowns
from .normal import Loss, lay_out, residuals_of, state_of
from .resection import refine_poses, resect, triangulate
from .twoview import best_turn, homogeneous, triangulate_pair, two_views

# Why a shot was not started.
FEW_TRACKS, ON_A_LINE, NO_PAIR, NO_MOTION, BROKEN = (
    "few tracks", "on one line", "no common tracks", "no motion fits", "broken",
)  # fmt: skip

LEAST_TRACKS = 8  # common tracks of a first pair: what the linear relations need, with one to spare
LINE_WIDTH = 3.0  # sigmas from their best line within which features are one line
LEAST_RESECTED = 6  # known points that pose a frame: three fix it, three more agree
CANDIDATES = 24  # frames among which first pairs are sought
PAIRS = 4  # first pairs tried
TRIAL_FRAMES = 10  # frames on which motions are compared
DEPTH_SIGMA = 0.15  # a point joins once its distance is known to this part of itself
BLUNDER = 4.0  # sigmas beyond which a sighting is dropped; of the tracks' own scatter where that is larger
TURN_ONLY = 1.4  # misfit (1 is noise alone) up to which a turn alone explains the tracks
TURN_MARGIN = 1.6  # and how much better a moving camera must explain them than a turn does
BEND_MARGIN = 1.1  # the same where the turn wants another focal length than was told, as a track along a wall does
FOCAL_TOLD = 0.15  # part of it by which a lens may be off what was told before that counts
HOPEFUL = 2.0  # times the margin up to which a rough turn is worth being finished: that takes as long as a whole solve
TURN_TRIED = 30.0  # px of parallax against a fixed focal length beyond which a turn alone is not even tried
ROUGH_PX = 0.5  # hypotheses from a few sightings are judged by this sigma at least: theirs are magnified
WELL_BELOW = 0.7  # of the stated sigma: a smaller scatter is taken for the tracks' real one in the end
TIGHTER = 3  # times that blunders are then looked for again
RAYLEIGH = 1.1774  # median length of a residual in the plane, in sigmas
LOSS = Loss("cauchy", 2.0)
ONE_FOCAL_LENGTH = Unknowns("shared")
ROUGH = Rule(cost=1e-4, step_sigma=0.3, iterations=15, damping=1e-6)


@dataclass(frozen=True, slots=True, eq=False)
class Lens:
    """What is known of the camera before the solve."""

    focal_px: np.ndarray | float  # (F,) or one  across
    centre_px: np.ndarray  # (2,)
    distortion: np.ndarray | tuple[float, ...] = (0.0,) * 5
    aspect: float = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class Started:
    """A solve from nothing, in a world of its own: the first camera of the pair at the origin, its baseline 1."""

    adjusted: Adjusted
    rotation_only: bool
    plane: bool  # the pair saw one plane, as far as its sightings tell
    pair: tuple[int, int]
    kept: np.ndarray  # (K,) bool  sightings that were not dropped as blunders
    lost_frames: tuple[int, ...]  # frames with enough tracks that could not be added
    scatter: np.ndarray  # (N,) by which the stated sigmas of each track were multiplied: 1 unless stated far too large

    @property
    def scene(self) -> Scene:
        """The solved scene."""
        return self.adjusted.scene


@dataclass(frozen=True, slots=True)
class NotStarted:
    """Why a shot cannot be solved from these tracks; false in a condition."""

    code: str
    frames: tuple[int, ...]  # the frames that are to blame
    remedy: str

    def __bool__(self) -> bool:
        return False


@dataclass(slots=True, eq=False)
class _Work:
    """What a start knows so far."""

    tracks: Tracks
    lens: Lens
    xy: np.ndarray  # (F, N, 2) undistorted, normalised
    sigma: np.ndarray  # (F, N) normalised
    seen: np.ndarray  # (F, N) bool, less what was dropped
    world_from_cam: np.ndarray  # (F, 4, 4)
    points: np.ndarray  # (N, 3)
    solved: np.ndarray  # (F,) bool
    known: np.ndarray  # (N,) bool
    focal_px: np.ndarray  # (F,)
    distortion: np.ndarray  # (F, 5)
    scatter: float = 2.0  # of the whitened residuals so far, never below 1; at the outset a guess

    def copy(self) -> _Work:
        arrays = {n: getattr(self, n).copy() for n in ("seen", "world_from_cam", "points", "solved", "known")}
        return _Work(self.tracks, self.lens, self.xy, self.sigma, focal_px=self.focal_px.copy(),
                     distortion=self.distortion.copy(), scatter=self.scatter, **arrays)  # fmt: skip

    def scene(self) -> Scene:
        """The solve so far; points that are not known stand in the middle of those that are."""
        middle = self.points[self.known].mean(0) if self.known.any() else np.array([0.0, 0.0, 1.0])
        points = np.where(self.known[:, None], self.points, middle)
        lens = self.lens
        return Scene(self.world_from_cam, points, self.focal_px, lens.centre_px, self.distortion, lens.aspect)

    def chosen(self, frames: np.ndarray | None = None) -> Tracks:
        """The sightings that are in use, in solved frames (or ``frames``), of known points."""
        t = self.tracks
        use = self.seen[t.frame, t.point] & self.known[t.point]
        return t.only(use & (self.solved if frames is None else frames)[t.frame])


@np.errstate(over="ignore", invalid="ignore", divide="ignore")  # wild hypotheses are judged by how they fit
def start(tracks: Tracks, lens: Lens, unknowns: Unknowns = ONE_FOCAL_LENGTH, *, seed: int = 0) -> Started | NotStarted:
    """Solve ``tracks`` from nothing. Focal length and distortion begin at ``lens``, or stay there: ``unknowns`` says.

    The same tracks and ``seed`` give the same solve, bit for bit. Raises ValueError for a lens that does not fit the
    tracks; a shot that cannot be started is no error.
    """
    work = _begin(tracks, lens)
    count = work.seen.sum(1)
    ready = count >= LEAST_TRACKS
    if ready.sum() < 2:
        few = tuple(int(f) for f in np.flatnonzero(~ready))
        return NotStarted(
            FEW_TRACKS,
            few,
            f"two frames with {LEAST_TRACKS} tracks each are needed: add features that stay in view",
        )
    flat = ready & (_width(work) < LINE_WIDTH)
    if flat.sum() * 2 > ready.sum():
        frames = tuple(int(f) for f in np.flatnonzero(flat))
        return NotStarted(ON_A_LINE, frames, "all features of these frames stand on one line: add some beside it")
    rng = np.random.default_rng(seed)
    pairs = _pairs(work, np.flatnonzero(ready))
    if not pairs:
        return NotStarted(
            NO_PAIR, tuple(int(f) for f in np.flatnonzero(ready)),
            f"no two frames share {LEAST_TRACKS} tracks: tracks must live longer",
        )  # fmt: skip
    pair, turned = pairs[0][:2], None
    turning = _turn(work, unknowns) if max(p[2] for p in pairs) < TURN_TRIED else None
    turns = replace(unknowns, rotation_only=True)
    if turning is not None and _as_told(turning) and _misfit(turning, 1.0) <= HOPEFUL * TURN_ONLY:
        turned = _finish(turning, turns, False, pair)
        if turned and _as_told(turning) and _misfit(turning, 1.0) <= TURN_ONLY:
            return turned
    best: tuple[float, _Work, bool, tuple[int, int]] | None = None
    for first, second, _ in pairs[:PAIRS]:
        for cost, grown, plane in _trials(work, first, second, rng):
            if best is None or cost < best[0]:
                best = cost, grown, plane, (first, second)
        if best is not None and best[0] < 0.5:  # less than a quarter of the loss of pure blunders
            break
    if best is None:
        if turning is not None and (turned := turned or _finish(turning, turns, False, pair)):
            return turned
        frames = tuple(sorted({f for p in pairs[:PAIRS] for f in p[:2]}))
        return NotStarted(
            NO_MOTION, frames, "no camera motion explains the tracks of these frames: more parallax, or cleaner tracks"
        )
    _, work, plane, first_pair = best
    _grow(work, np.ones(tracks.frames, bool), rng)
    ended = _finish(work, unknowns, plane, first_pair)
    if turning is None:
        return ended

    def left_behind(by: float) -> bool:
        margin = by * (TURN_MARGIN if _as_told(turning) else BEND_MARGIN)
        return bool(ended) and _misfit(turning, work.scatter) > margin * _misfit(work, work.scatter)

    if turned is None and not left_behind(HOPEFUL):
        turned = _finish(turning, turns, False, pair)
    return turned if turned and not left_behind(1.0) else ended


def _begin(tracks: Tracks, lens: Lens) -> _Work:
    f, n = tracks.frames, tracks.points
    focal = np.array(np.broadcast_to(np.asarray(lens.focal_px, float), (f,)))
    if not (np.isfinite(focal) & (focal > 0)).all():
        raise ValueError("focal_px must be finite and positive")
    distortion = np.asarray(lens.distortion, float)
    if distortion.shape != (5,):
        raise ValueError(f"distortion has shape {distortion.shape}; wanted (5,)")
    seen = np.zeros((f, n), bool)
    scale = focal[tracks.frame]
    flat = (tracks.uv_px - lens.centre_px) / np.column_stack([scale, scale * lens.aspect])
    flat = undistort(flat, distortion)
    use = np.isfinite(flat).all(1)
    xy, sigma = np.zeros((f, n, 2)), np.ones((f, n))
    at = tracks.frame[use], tracks.point[use]
    seen[at], xy[at] = True, flat[use]
    # A round sigma of the same area as the sighting's own ellipse.
    white = tracks.white
    inverse = white[:, 0] if white.shape[1] == 1 else np.sqrt(white[:, 0] * white[:, 2])
    sigma[at] = (1 / inverse / scale)[use]
    return _Work(
        tracks, lens, xy, sigma, seen, np.tile(np.eye(4), (f, 1, 1)), np.zeros((n, 3)), np.zeros(f, bool),
        np.zeros(n, bool), focal, np.tile(distortion, (f, 1)),
    )  # fmt: skip


def _width(work: _Work) -> np.ndarray:
    """(F,) median distance of a frame's sightings from their best line, in sigmas; blunders weigh little."""
    weight = work.seen.astype(float)
    for _ in range(5):
        total = np.maximum(weight.sum(1), 1e-300)
        middle = np.einsum("fn,fni->fi", weight, work.xy) / total[:, None]
        offset = work.xy - middle[:, None]
        normal = np.linalg.eigh(np.einsum("fn,fni,fnj->fij", weight, offset, offset))[1][:, :, 0]
        gap = np.abs(np.einsum("fni,fi->fn", offset, normal)) / work.sigma
        ever = np.asarray(work.seen.any(1))
        median = np.nanmedian(np.where(ever[:, None] & ~work.seen, np.nan, gap), axis=1)
        weight = work.seen / (1 + (gap / np.maximum(2 * median, 1e-9)[:, None]) ** 2)
    return np.asarray(median)


def _pairs(work: _Work, ready: np.ndarray) -> list[tuple[int, int, float]]:
    """First pairs, the best first: frames and the median parallax in pixels, after the best turn is taken off."""
    spread = _spread(ready, CANDIDATES)
    a, b = np.triu_indices(len(spread), 1)
    a, b = spread[a], spread[b]
    common = work.seen[a] & work.seen[b]
    enough = common.sum(1) >= LEAST_TRACKS
    if not enough.any():
        # Neighbours may still share tracks where the shot outlives them.
        a, b = ready[:-1], ready[1:]
        common = work.seen[a] & work.seen[b]
        enough = common.sum(1) >= LEAST_TRACKS
    a, b, common = a[enough], b[enough], common[enough]
    if not len(a):
        return []
    ray = homogeneous(work.xy)
    ray = ray / np.linalg.norm(ray, axis=-1, keepdims=True)
    weight = common.astype(float)
    for _ in range(4):
        turn = best_turn(ray[a], ray[b], weight)
        gap = np.linalg.norm(np.einsum("pij,pnj->pni", turn, ray[a]) - ray[b], axis=-1)
        middle = np.nanmedian(np.where(common, gap, np.nan), axis=1)
        weight = common / (1 + (gap / np.maximum(2 * middle, 1e-9)[:, None]) ** 2)
    parallax = middle * work.focal_px[b]
    score = np.minimum(parallax, 100.0) * np.sqrt(common.sum(1))
    order = np.argsort(-score, kind="stable")
    # Different pairs rather than neighbours of the best one.
    out: list[tuple[int, int, float]] = []
    apart = max(1, work.tracks.frames // 20)
    for i in order:
        if all(abs(a[i] - x) > apart or abs(b[i] - y) > apart for x, y, _ in out):
            out.append((int(a[i]), int(b[i]), float(parallax[i])))
        if len(out) == PAIRS:
            break
    return out


def _spread(rows: np.ndarray, most: int) -> np.ndarray:
    """At most ``most`` of ``rows``, evenly spaced, the first and the last among them."""
    if len(rows) <= most:
        return rows
    return np.asarray(rows[np.linspace(0, len(rows) - 1, most).round().astype(int)])


def _trials(work: _Work, first: int, second: int, rng: np.random.Generator) -> list[tuple[float, _Work, bool]]:
    """Every motion of a pair, grown over some frames: mean truncated cost, the grown work, whether the pair is flat."""
    common = np.flatnonzero(work.seen[first] & work.seen[second])
    x1, x2 = work.xy[first, common], work.xy[second, common]
    sigma = np.hypot(work.sigma[first, common], work.sigma[second, common]) / np.sqrt(2)
    views = two_views(x1, x2, np.maximum(sigma, ROUGH_PX / work.focal_px[first]), rng)
    if views is None:
        return []
    share = (work.seen[:, common].sum(1) >= LEAST_TRACKS) & (work.seen.sum(1) >= LEAST_TRACKS)
    share[[first, second]] = False
    others = np.flatnonzero(share)
    some = _spread(others, TRIAL_FRAMES)
    frames = np.zeros(len(share), bool)
    frames[some] = frames[[first, second]] = True
    out = []
    for turn, shift, inliers in zip(views.rotation, views.shift, views.inliers, strict=True):
        grown = work.copy()
        depth = triangulate_pair(turn, shift, x1, x2)[0]
        grown.world_from_cam[second] = pose(turn.T, -turn.T @ shift)
        grown.solved[[first, second]] = True
        grown.points[common] = depth[:, None] * homogeneous(x1)
        grown.known[common] = inliers & (depth > 0)
        if grown.known.sum() < LEAST_RESECTED:
            continue
        _adjust(grown)
        _triangulate(grown)
        _grow(grown, frames, rng)
        sightings = int(work.seen[frames].sum())
        done = lay_out(grown.chosen(), Unknowns())
        if not done.sightings:
            continue
        state = state_of(grown.scene(), done)
        fits = sum(
            float(np.minimum((r * r).sum(1) / 9.0, 1.0)[t.white[:, 0] > 0].sum()) for t, r in residuals_of(done, state)
        )
        out.append(((fits + sightings - done.sightings) / sightings, grown, views.plane))
    return out


def _grow(work: _Work, frames: np.ndarray, rng: np.random.Generator) -> None:
    """Add those of ``frames`` (F,) bool that known points can pose, and the points these see, until none is left."""
    demand = 2 * LEAST_RESECTED
    while True:
        usable = work.seen & work.known
        count = usable.sum(1)
        ask = np.flatnonzero(frames & ~work.solved & (count >= demand))
        added = False
        if len(ask):
            rough = np.maximum(work.sigma[ask], 2 * ROUGH_PX / work.focal_px[ask, None])
            poses, share = resect(work.points, work.xy[ask], rough, usable[ask], rng)
            # Where the random triples found nothing, the nearest solved frame is a good guess.
            there = np.flatnonzero(work.solved)
            nearest = there[np.abs(ask[:, None] - there).argmin(1)]
            new = np.zeros(len(work.solved), bool)
            new[ask] = True
            before = work.world_from_cam.copy(), work.solved.copy()
            work.world_from_cam[ask] = np.where((share >= 0.5)[:, None, None], poses, work.world_from_cam[nearest])
            work.world_from_cam[new] = refine_poses(work.chosen(new), work.scene(), LOSS, 10, 1e-3).world_from_cam[new]
            work.solved |= new
            length = _residuals(work)
            agree = (length < BLUNDER * work.scatter).sum(1) >= 0.5 * np.isfinite(length).sum(1)
            new &= agree
            added = bool(new.any())
            work.world_from_cam = np.where(new[:, None, None], work.world_from_cam, before[0])
            work.solved = before[1] | new
            if added:
                _triangulate(work)
                _adjust(work)
                _triangulate(work)
        if not added:
            if demand == LEAST_RESECTED:
                return
            demand = LEAST_RESECTED


def _triangulate(work: _Work) -> None:
    """Points that the solved frames place well enough become known; those that they no longer do, unknown."""
    rows = np.flatnonzero(work.solved)
    points, relative = triangulate(work.world_from_cam[rows], work.xy[rows], work.sigma[rows], work.seen[rows])
    fresh = (relative < DEPTH_SIGMA) & ~work.known
    work.points[fresh] = points[fresh]
    work.known |= fresh
    work.known &= (work.seen[rows].sum(0) >= 2) & np.isfinite(work.points).all(1)


def _adjust(work: _Work, unknowns: Unknowns | None = None, rule: Rule = ROUGH, loss: Loss | None = LOSS) -> Adjusted:
    """Adjust what is solved so far, robustly, and drop blunders."""
    done = adjust(work.chosen(), work.scene(), unknowns or Unknowns(), loss=loss, rule=rule)
    _take_over(work, done)
    if unknowns is not None and (unknowns.shared or unknowns.of_frame):
        _straighten(work)
    _drop_blunders(work)
    return done


def _take_over(work: _Work, done: Adjusted) -> None:
    used = done.points_used
    work.world_from_cam = done.scene.world_from_cam.copy()
    work.points[used] = done.scene.points_m[used]
    work.known &= used
    inner = done.scene.inner
    work.focal_px, work.distortion = inner[:, 0], inner[:, 1:]


def _straighten(work: _Work) -> None:
    """Undistorted positions again, with the lens as it is now."""
    t = work.tracks
    scale = work.focal_px[t.frame]
    flat = (t.uv_px - work.lens.centre_px) / np.column_stack([scale, scale * work.lens.aspect])
    if not (work.distortion == work.distortion[0]).all():
        return
    flat = undistort(flat, work.distortion[0])
    fine = np.isfinite(flat).all(1)
    work.xy = work.xy.copy()  # hypotheses that were copied from one another share it
    work.xy[t.frame[fine], t.point[fine]] = flat[fine]


def _residuals(work: _Work) -> np.ndarray:
    """(F, N) whitened length of each residual of a known point in a solved frame, elsewhere nan."""
    out = np.full(work.seen.shape, np.nan)
    t = work.tracks
    every = t.only(work.known[t.point] & work.solved[t.frame])
    layout = lay_out(every, Unknowns(), keep_points=True)
    state = state_of(work.scene(), layout)
    for tile, r in residuals_of(layout, state):
        grid = np.sqrt((r * r).sum(1))
        if tile.holes is not None:
            grid[tile.holes] = np.nan
        out[np.ix_(layout.frame_ids[tile.frames], layout.point_ids[tile.points])] = grid
    return out


def _misfit(work: _Work, sigma: float) -> float:
    """How badly the solve explains whole tracks, 1 for noise of ``sigma`` (of the stated one) alone, 9 for nonsense.

    The mean over tracks of their median squared residual, each capped: a few near features that a turn alone cannot
    explain count however well the many far ones fit, and single blunders do not count at all.
    """
    length = _residuals(work)
    seen = work.tracks.seen & work.solved[:, None]
    track = seen.sum(0) >= 2
    if not track.any():
        return 9.0
    filled = np.where(seen, np.nan_to_num(length, nan=np.inf, posinf=np.inf), np.nan)[:, track]
    return float(np.minimum((np.nanmedian(filled, axis=0) / (RAYLEIGH * sigma)) ** 2, 9.0).mean())


def _scatter(length: np.ndarray, seen: np.ndarray) -> float:
    """Sigma of the residuals of what counts, as a part of the stated one; 1 where there is none."""
    there = np.isfinite(length) & seen
    return float(np.median(length[there])) / RAYLEIGH if there.any() else 1.0


def _scatter_of_each(length: np.ndarray, seen: np.ndarray) -> np.ndarray:
    """(N,) the same of each track; 0 where nothing counts."""
    there = np.isfinite(length) & seen
    some = there.any(0)
    out = np.zeros(len(some))
    out[some] = np.nanmedian(np.where(there, length, np.nan)[:, some], axis=0) / RAYLEIGH
    return out


def _drop_blunders(work: _Work) -> None:
    """Sightings far outside the tracks' own scatter no longer count; those that came back count again."""
    length = _residuals(work)
    work.scatter = max(1.0, _scatter(length, work.seen))
    _keep(work, length, BLUNDER * work.scatter)


def _keep(work: _Work, length: np.ndarray, longest: float) -> None:
    """What counts from now on: residuals (F, N) below ``longest`` sigma."""
    there = np.isfinite(length)
    seen = work.tracks.seen
    work.seen = np.where(there, seen & (length < longest), work.seen)
    # A point that most of its sightings deny is itself the blunder: forget it, and place it anew from all of them.
    denied = work.known & ((work.seen & there).sum(0) < 0.5 * there.sum(0))
    work.known &= ~denied
    work.seen[:, denied] = seen[:, denied]


def _as_told(work: _Work) -> bool:
    """Whether the focal length came out near the one that was told."""
    return bool(np.all(np.abs(work.focal_px / work.lens.focal_px - 1)[work.solved] < FOCAL_TOLD))


def _finish(work: _Work, unknowns: Unknowns, plane: bool, pair: tuple[int, int]) -> Started | NotStarted:
    fixed = Unknowns(rotation_only=unknowns.rotation_only)
    _adjust(work, fixed, Rule(1e-6, 0.05, 20, 1e-6))
    for _ in range(2):
        _adjust(work, unknowns, Rule(1e-6, 0.05, 30, 1e-6))
        _triangulate(work)
    _drop_blunders(work)  # those of points that were placed anew
    scatter = _own_scatter(work, unknowns)
    done = adjust(work.chosen().times(scatter), work.scene(), unknowns)
    t = work.tracks
    kept = work.seen[t.frame, t.point]
    many = np.bincount(t.frame, minlength=t.frames) >= LEAST_RESECTED
    lost = tuple(int(f) for f in np.flatnonzero(many & ~done.frames_used))
    if done.frames_used.sum() * 2 < many.sum():
        return NotStarted(
            BROKEN,
            lost,
            "most frames share too few tracks with the rest: longer tracks, or more of them there",
        )
    return Started(done, unknowns.rotation_only, plane, pair, kept, lost, scatter)


def _own_scatter(work: _Work, unknowns: Unknowns) -> np.ndarray:
    """(N,) each track's own sigma as a part of the stated one, 1 unless that was stated far too large.

    Sightings that stick to something else would hide among sigmas that are too large; and tracks that were all told the
    same sigma are not equally good. Found in turns: adjust with the scatter as it is, measure it, drop blunders.
    """
    own = np.ones(work.tracks.points)
    for _ in range(TIGHTER):
        length = _residuals(work)
        scatter = _scatter(length, work.seen)
        if scatter > WELL_BELOW:
            return own
        own = np.clip(_scatter_of_each(length, work.seen), scatter, 1.0)
        done = adjust(work.chosen().times(own), work.scene(), unknowns, loss=LOSS, rule=Rule(1e-6, 0.05, 30, 1e-6))
        _take_over(work, done)
        _keep(work, _residuals(work) / own, BLUNDER)
    return own


def _turn(work: _Work, unknowns: Unknowns) -> _Work:
    """The shot as a turn about one point, roughly."""
    work = work.copy()
    ray = homogeneous(work.xy)
    ray = ray / np.linalg.norm(ray, axis=-1, keepdims=True)
    f = work.tracks.frames
    middle = int(np.argmax(work.seen.sum(1)))
    total = ray[middle] * work.seen[middle][:, None]
    work.solved[middle] = True
    # Outward from the fullest frame, each frame against the mean directions so far.
    for frame in (*range(middle + 1, f), *range(middle - 1, -1, -1)):
        length = np.linalg.norm(total, axis=1)
        common = work.seen[frame] & (length > 0)
        if common.sum() < 3:
            continue
        known = total[common] / length[common, None]
        weight = np.ones(int(common.sum()))
        for _ in range(4):
            turn = best_turn(ray[frame, common], known, weight)
            gap = np.linalg.norm(ray[frame, common] @ turn.T - known, axis=1)
            weight = 1 / (1 + (gap / max(2 * float(np.median(gap)), 1e-9)) ** 2)
        work.world_from_cam[frame, :3, :3] = turn
        work.solved[frame] = True
        total[work.seen[frame]] += ray[frame, work.seen[frame]] @ turn.T
    length = np.linalg.norm(total, axis=1)
    work.known = length > 0
    work.points = total / np.maximum(length, 1e-300)[:, None]
    for _ in range(2):
        _adjust(work, replace(unknowns, rotation_only=True), Rule(1e-6, 0.05, 20, 1e-6))
    return work
