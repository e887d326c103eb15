"""Tracks from a file, solved with the plan's camera: a test shoot, or a rendered move."""

from __future__ import annotations

import csv
import io
import math
from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from ..camera.axes import quaternion_from_matrix
from ..camera.track import CameraTrack
from ..problems import BadInput, Problem, one_problem
from ..solve.adjustment import Adjusted, adjust
from ..solve.align import align_by_cameras, align_scenes
from ..solve.covariance import inform
from ..solve.network import Scene, Survey, Tracks, Unknowns
from ..solve.normal import lay_out, residuals_of, state_of
from ..solve.slide import Slide, measure_slide, slide
from ..solve.start import LEAST_TRACKS, Lens, NotStarted, Started, start
from ..stage.layout import BAND, CORNER, POINT, Layout
from .bands import as_points
from .shot import first_distortion, insert_in_view, scene_of_track
from .takes import turned_onto

COLUMNS, OPTIONAL = ("feature", "frame", "x", "y"), "sigma"
MOST_BYTES = 500_000_000
SIGMA_PX = 0.2  # of a sighting, where the file has no column for it; tracks that are better are found out by the solve
LINE_PX = 2.0  # features nearer to one line than this (root mean square, in every frame) fix nothing
LABELLED = 4  # surveyed features from which a datum is taken: three fix it, one more checks


@dataclass(frozen=True, slots=True, eq=False)
class RecordedTracks:
    """Tracks of named features in one shot's frames, as a file gave them."""

    file: str
    feature: tuple[str, ...]  # N
    frame: np.ndarray  # (F,) int  frame numbers of the shot
    tracks: Tracks  # F frames, N points
    own_sigma: bool  # whether the file tells sigmas


def read_tracks(path: Path, track: CameraTrack) -> RecordedTracks:
    """Read feature, frame, x, y and perhaps sigma (px, each axis) from a CSV with these columns, in any order.

    Pixels of the recorded gate: (0, 0) is the centre of the top-left one. Raises BadInput with every line that is
    wrong: what is no finite number, a sighting given twice or out of order, a frame that is not in the shot, a place
    outside the gate; and for tracks that no solve can use: too few features, or all of them on one line.
    """
    rows = _rows(path)
    name = path.name
    slips = {row.line: problem for row in rows if (problem := _slip(row, track, name))}
    problems = dict(slips)
    first: dict[tuple[str, int], int] = {}
    latest: dict[str, tuple[int, int]] = {}
    for row in rows:
        if row.frame is None or row.line in slips:
            continue
        where, seen = f"line {row.line}", first.setdefault((row.feature, row.frame), row.line)
        before = latest.get(row.feature)
        if seen != row.line:
            found = f"feature {row.feature!r} in frame {row.frame} again, as in line {seen}"
            problems[row.line] = Problem(where, found, "every feature once in a frame", name)
        elif before and row.frame < before[0]:
            found = f"frame {row.frame} of feature {row.feature!r} after its frame {before[0]} in line {before[1]}"
            problems[row.line] = Problem(where, found, "the frames of a feature in rising order", name)
        latest[row.feature] = max(before or (row.frame, row.line), (row.frame, row.line))
    if problems:
        raise BadInput(problems[line] for line in sorted(problems))
    names = tuple(dict.fromkeys(row.feature for row in rows))
    number = {feature: i for i, feature in enumerate(names)}
    frame = np.array([row.frame for row in rows]) - track.frame[0]
    point = np.array([number[row.feature] for row in rows])
    uv = np.array([row.at for row in rows])
    sigma = np.array([SIGMA_PX if row.sigma is None else row.sigma for row in rows])
    tracks = Tracks.from_list(frame, point, uv, sigma**2, frames=len(track), points=len(names))
    _require_solvable(tracks, track, name)
    return RecordedTracks(name, names, track.frame, tracks, any(row.sigma is not None for row in rows))


@dataclass(frozen=True, slots=True)
class _Row:
    line: int
    feature: str
    frame: int | None  # None where it is no whole number
    at: tuple[float, float]
    sigma: float | None
    cells: tuple[str, ...]  # as written: frame, x, y and perhaps sigma


def _rows(path: Path) -> list[_Row]:
    try:
        if path.stat().st_size > MOST_BYTES:
            raise one_problem("file", "more than 500 MB", "tracks of one shot", path.name)
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise one_problem("--tracks", str(path), f"a file that can be read ({error.strerror})") from error
    except UnicodeDecodeError as error:
        raise one_problem("file", "bytes that are no UTF-8", "a CSV in UTF-8", path.name) from error
    table = csv.reader(io.StringIO(text, newline=""), strict=True)
    try:
        header = [cell.strip().casefold() for cell in next(table, [])]
        place = _columns(header, path.name)
        rows, problems = [], []
        for cells in table:
            if not any(cell.strip() for cell in cells):
                continue
            if len(cells) != len(header):
                found = f"{len(cells)} cells"
                problems.append(
                    Problem(f"line {table.line_num}", found, f"{len(header)}, as the header has", path.name)
                )
                continue
            told = tuple(cells[place[key]].strip() for key in (*COLUMNS[1:], OPTIONAL) if key in place)
            frame, x, y, *sigma = map(_number, told)
            whole = int(frame) if math.isfinite(frame) and frame == int(frame) else None
            feature = cells[place["feature"]].strip()
            rows.append(_Row(table.line_num, feature, whole, (x, y), sigma[0] if sigma else None, told))
    except csv.Error as error:
        raise one_problem(f"line {table.line_num}", str(error), "a CSV with commas", path.name) from error
    if problems:
        raise BadInput(problems)
    if not rows:
        raise one_problem("rows", "none", "a row for every sighting", path.name)
    return rows


def _columns(header: list[str], file: str) -> dict[str, int]:
    known = {*COLUMNS, OPTIONAL}
    wrong = [cell for cell, count in Counter(header).items() if cell not in known or count > 1]
    missing = [key for key in COLUMNS if key not in header]
    if wrong or missing:
        found = ", ".join(header)[:200] or "nothing"
        raise one_problem("line 1", found, "the columns feature, frame, x, y and, if you have it, sigma", file)
    return {key: i for i, key in enumerate(header)}


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return math.nan


def _slip(row: _Row, track: CameraTrack, file: str) -> Problem | None:
    """What is wrong with one row by itself."""
    where = f"line {row.line}"
    if not row.feature:
        return Problem(where, "no feature", "a name or a number", file)
    first, last = int(track.frame[0]), int(track.frame[-1])
    if row.frame is None or not first <= row.frame <= last:
        return Problem(where, f"frame {row.cells[0] or 'missing'}", f"a whole number from {first} to {last}", file)
    size = track.size_px
    for axis, value, end, text in zip("xy", row.at, size - 0.5, row.cells[1:3], strict=True):
        if not -0.5 <= value <= end:
            shown = text or "missing"
            return Problem(where, f"{axis} = {shown}", f"-0.5 to {end:g}: the gate is {size[0]} x {size[1]} px", file)
    if row.sigma is not None and not 0 < row.sigma < math.inf:
        return Problem(where, f"sigma = {row.cells[3] or 'missing'}", "a standard deviation in pixels, above 0", file)
    return None


def _require_solvable(tracks: Tracks, track: CameraTrack, file: str) -> None:
    """Raise BadInput for tracks that nothing can be made of, whoever solves."""
    if tracks.points < LEAST_TRACKS:
        raise one_problem("features", tracks.points, f"at least {LEAST_TRACKS}", file)
    reach = tracks.uv_px.max(axis=0)
    if (reach < track.size_px / 2).all() and len(tracks) > 100:
        found = f"no place beyond x = {reach[0]:.0f}, y = {reach[1]:.0f}"
        wanted = f"pixels of the whole gate, {track.size_px[0]} x {track.size_px[1]}: tracked at another resolution?"
        raise one_problem("resolution", found, wanted, file)
    widest = 0.0
    for frame in np.unique(tracks.frame):
        at = tracks.uv_px[tracks.frame == frame]
        if len(at) > 2:
            widest = max(widest, float(np.linalg.svd(at - at.mean(axis=0), compute_uv=False)[1] / np.sqrt(len(at))))
    if widest < LINE_PX:
        raise one_problem("features", "all on one line in every frame", "features spread over the picture", file)


# --- solving them ----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class RecordedSolve:
    """Recorded tracks, solved and brought onto the plan. F frames; nan where a frame is not solved."""

    recorded: RecordedTracks
    scene: Scene  # in the plan's world
    rotation_only: bool
    datum: str  # how it was brought there, in words
    solved: np.ndarray  # (F,) bool
    lost_frames: tuple[int, ...]  # frame numbers
    kept: np.ndarray  # (K,) bool  sightings that were not dropped
    residual_px: np.ndarray  # (F,) root mean square reprojection error of those, length
    sigma0: float  # scatter of the residuals against the sigmas used
    camera_m: np.ndarray  # (F,) distance from the planned camera
    drift_px: np.ndarray  # (F, 2) slide against the plan, delivery pixels
    jitter_px: np.ndarray  # (F, 2)
    expected: Slide | None  # slide that these tracks should have, white noise of their own scatter
    surveyed: tuple[str, ...]  # features that were held to the plan

    @property
    def residual_rms_px(self) -> float:
        """Over all frames and kept sightings, length."""
        count = np.bincount(self.recorded.tracks.frame[self.kept], minlength=len(self.residual_px))
        use = np.isfinite(self.residual_px) & (count > 0)
        return float(np.sqrt(np.average(self.residual_px[use] ** 2, weights=count[use]))) if use.any() else math.nan


def feature_names(layout: Layout) -> tuple[str, ...]:
    """What a track is called that follows a feature of the plan: "wall scatter 12 corner 3", "left stand band 1"."""
    kinds = {CORNER: "corner", BAND: "band", POINT: "point"}
    seen: Counter[int] = Counter()
    names = []
    for owner, kind in zip(layout.features.owner.tolist(), layout.features.kind.tolist(), strict=True):
        seen[owner] += 1
        name = layout.owner_names[owner]
        names.append(f"{name} {kinds[kind]} {seen[owner]}" if kind in kinds else name)
    return tuple(names)


def solve_tracks(
    recorded: RecordedTracks,
    layout: Layout,
    track: CameraTrack,
    action_m: np.ndarray,
    unknowns: Unknowns,
    survey_sigma_m: float | None = None,
    seed: int = 0,
) -> RecordedSolve | NotStarted:
    """Solve recorded tracks from nothing, and hold the solve against the plan.

    survey_sigma_m : standard deviation, each axis, of the plan's features as they stand; tracks that carry their names
        (:func:`feature_names`) are then held to them, bands where they are seen on their poles. None: the plan's
        layout plays no part in the solve.
    Raises BadInput where a survey is asked for and too few tracks carry names of the plan.
    """
    tracks, held, at = recorded.tracks, np.empty(0, int), np.empty((0, 3))
    if survey_sigma_m is not None:
        held, feature = _named(recorded, layout)
        tracks, at = _as_points(tracks, held, feature, layout, track)
    plan = scene_of_track(track, np.zeros((recorded.tracks.points, 3)))
    lens = Lens(plan.focal_px, plan.centre_px, first_distortion(plan, unknowns), plan.aspect)
    started = start(tracks, lens, unknowns, seed=seed)
    if not isinstance(started, Started):
        return started
    done, tracks = started.adjusted, tracks.times(started.scatter)
    kept = started.kept & done.frames_used[recorded.tracks.frame] & done.points_used[recorded.tracks.point]
    holds = done.points_used[held]
    held, at = held[holds], at[holds]
    if started.rotation_only:
        scene, datum = turned_onto(done.scene, plan, done.frames_used), "turned onto the planned camera"
    elif len(held) >= LABELLED:
        done, scene = _on_survey(tracks.only(kept), done, held, at, unknowns, survey_sigma_m or 0.0)
        datum = f"held to {len(held)} surveyed features"
    else:
        move = align_by_cameras(done.scene, plan, done.frames_used)
        scene, datum = move.move(done.scene), "brought onto the planned camera by a similarity"
    drift, jitter, expected = _slides(tracks.only(kept), scene, plan, track, action_m, unknowns, started, done)
    return RecordedSolve(
        recorded,
        scene,
        started.rotation_only,
        datum,
        done.frames_used,
        tuple(int(track.frame[row]) for row in started.lost_frames),
        kept,
        _residuals(tracks.only(kept), scene),
        done.sigma0,
        np.where(done.frames_used, np.linalg.norm(scene.centres_m - plan.centres_m, axis=1), np.nan),
        drift,
        jitter,
        expected,
        tuple(recorded.feature[i] for i in held),
    )


def _named(recorded: RecordedTracks, layout: Layout) -> tuple[np.ndarray, np.ndarray]:
    """Tracks that carry the name of a feature of the plan, and the rows of these."""
    place = {name.casefold(): i for i, name in enumerate(feature_names(layout))}
    pairs = [(i, place[name.casefold()]) for i, name in enumerate(recorded.feature) if name.casefold() in place]
    if len(pairs) < LABELLED:
        example = next(iter(feature_names(layout)), "")
        wanted = f"at least {LABELLED} tracks named as the plan's features, for example {example!r}"
        raise one_problem("--survey", f"{len(pairs)} tracks with names of the plan", wanted, recorded.file)
    track, feature = np.array(pairs).T
    return track, feature


def _as_points(
    tracks: Tracks, named: np.ndarray, feature: np.ndarray, layout: Layout, track: CameraTrack
) -> tuple[Tracks, np.ndarray]:
    """Tracks as if all were of single points, and where (M, 3) the plan has the named ones.

    A band is seen on the near side of its pole. How thick that is, and from where the band is seen, the plan knows.
    """
    even = np.broadcast_to(np.eye(2), (tracks.frames, len(named), 2, 2))
    at, beside = as_points(layout.features, feature, track, track.centre_m, tracks.seen[:, named], even)
    off = np.zeros((tracks.frames, tracks.points, 2))
    off[:, named] = beside
    return replace(tracks, uv_px=tracks.uv_px - off[tracks.frame, tracks.point]), at


def _on_survey(
    tracks: Tracks, done: Adjusted, held: np.ndarray, at_m: np.ndarray, unknowns: Unknowns, sigma_m: float
) -> tuple[Adjusted, Scene]:
    """Adjusted again with the surveyed places as a prior."""
    known = done.scene.with_parts(points_m=np.where(done.points_used[:, None], done.scene.points_m, 0.0))
    target = known.points_m.copy()
    target[held] = at_m
    chosen = np.zeros(len(target), bool)
    chosen[held] = True
    placed = align_scenes(known, known.with_parts(points_m=target), np.zeros(len(known), bool), chosen).move(known)
    survey = Survey(held, at_m, np.tile(sigma_m**2 * np.eye(3), (len(held), 1, 1)))
    again = adjust(tracks, placed, unknowns, survey=survey)
    return again, again.scene


def _slides(
    tracks: Tracks, scene: Scene, plan: Scene, track: CameraTrack, action_m: np.ndarray,
    unknowns: Unknowns, started: Started, done: Adjusted,
) -> tuple[np.ndarray, np.ndarray, Slide | None]:  # fmt: skip
    view = insert_in_view(action_m[None], track)[:, 0] & done.frames_used
    drift, jitter = measure_slide(scene, plan, action_m, view, delivery_scale=track.delivery_scale)
    if started.rotation_only:
        unknowns = replace(unknowns, rotation_only=True)
    information = inform(tracks, scene, unknowns)
    if information is None:
        return drift, jitter, None
    scale = track.delivery_scale * (done.sigma0 if math.isfinite(done.sigma0) else 1.0)
    return drift, jitter, slide(information, action_m, view, delivery_scale=scale)


def _residuals(tracks: Tracks, scene: Scene) -> np.ndarray:
    """(F,) root mean square reprojection error, length in pixels."""
    layout = lay_out(Tracks.from_list(tracks.frame, tracks.point, tracks.uv_px, frames=tracks.frames,
                                      points=tracks.points), Unknowns())  # fmt: skip
    total, count = np.zeros((2, tracks.frames))
    for tile, residual in residuals_of(layout, state_of(scene, layout)):
        here = layout.frame_ids[tile.frames]
        inside = np.ones(residual[:, 0].shape, bool) if tile.holes is None else ~tile.holes
        total[here] += ((residual**2).sum(1) * inside).sum(1)
        count[here] += inside.sum(1)
    return np.asarray(np.sqrt(np.divide(total, count, out=np.full(tracks.frames, np.nan), where=count > 0)))


POSE_COLUMNS = (
    "frame", "x_m", "y_m", "z_m", "q_w", "q_x", "q_y", "q_z", "focal_mm", "reprojection_px", "drift_px", "jitter_px",
)  # fmt: skip


def poses_csv(solve: RecordedSolve, track: CameraTrack) -> str:
    """Solved frames as a table: place, turn (world from camera; x right, y down, z forward), focal length, errors."""
    out = io.StringIO()
    table = csv.writer(out)
    table.writerow(POSE_COLUMNS)
    turn = quaternion_from_matrix(solve.scene.world_from_cam[:, :3, :3])
    focal_mm = track.focal_mm * solve.scene.focal_px / track.focal_px[:, 0]
    slides = np.linalg.norm([solve.drift_px, solve.jitter_px], axis=-1).T
    for row in np.flatnonzero(solve.solved):
        values = [*solve.scene.centres_m[row], *turn[row], focal_mm[row], solve.residual_px[row], *slides[row]]
        table.writerow([int(track.frame[row]), *("" if math.isnan(v) else f"{v:.9g}" for v in values)])
    return out.getvalue()
