"""A solved camera from a file: where it was and where it looked in every frame, in a world of its own."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ..camera.axes import flip_camera_axes, from_pan_tilt_roll, matrix_from_quaternion, pose
from ..camera.track import CameraTrack
from ..problems import BadInput, frozen_array, one_problem
from .tables import METRES, Column, Problems, Table, Told, open_table

Y_DOWN, Y_UP = "y-down", "y-up"
CAMERA_AXES = (Y_DOWN, Y_UP)  # x right, y down, z forward | x right, y up, looking along -z
MOST_FRAMES = 100_000
ROUGH = 1e-3  # how far a written matrix may be from a turn

MATRIX = tuple(f"r{i}{j}" for i in (1, 2, 3) for j in (1, 2, 3))
QUATERNION = ("qw", "qx", "qy", "qz")
ANGLES = ("pan", "tilt", "roll")
COLUMNS = (
    Column("frame", "count", ("f", "framenumber")),
    Column("x", "length", ("tx", "posx")), Column("y", "length", ("ty", "posy")), Column("z", "length", ("tz", "posz")),
    *(Column(key, "number", (f"rot{key[1]}", f"quat{key[1]}")) for key in QUATERNION),
    *(Column(key, "number", (f"m{key[1:]}",)) for key in MATRIX),
    *(Column(key, "angle", ()) for key in ANGLES),
    Column("focal", "length", ("focallength", "fl")),
    Column("focal px", "number", ("focalpx", "focallengthpx", "fpx")),
)  # fmt: skip
TURNS = (QUATERNION, MATRIX, ANGLES)


@dataclass(frozen=True, slots=True, eq=False)
class SolvedCamera:
    """F solved frames. Camera axes x right, y down, z forward; the world is the solve's own, in any unit."""

    file: str
    frame: np.ndarray  # (F,) int  rising
    world_from_cam: np.ndarray  # (F, 4, 4)
    focal_mm: np.ndarray  # (F,) nan where the file gives none

    def __post_init__(self) -> None:
        f = len(self.frame)
        object.__setattr__(self, "frame", frozen_array("frame", self.frame, (f,), int))
        object.__setattr__(self, "world_from_cam", frozen_array("world_from_cam", self.world_from_cam, (f, 4, 4)))
        object.__setattr__(self, "focal_mm", frozen_array("focal_mm", self.focal_mm, (f,)))

    def __len__(self) -> int:
        return len(self.frame)


def read_camera(
    path: Path,
    track: CameraTrack,
    axes: str = "",
    told: Told = Told(),  # noqa: B008 - frozen
) -> SolvedCamera:
    """Frame, place, turn (world from camera) and focal length of every solved frame, from a CSV.

    The turn is a quaternion (qw to qz), a matrix (r11 to r33, row by row) or pan, tilt and roll of a levelled head; the
    focal length is in millimetres, or in pixels of the recorded gate across. ``track`` is the planned camera: its film
    back turns the one into the other, and its frames are those that may occur. ``axes``: one of CAMERA_AXES; asked for
    unless the turn is pan, tilt and roll, or the file says ``# camera axes: y-up``.
    Raises BadInput with the line of everything that is wrong.
    """
    needed = [("frame", "x", "y", "z", *turn) for turn in TURNS]
    table = open_table(path, COLUMNS, needed, told)
    turn = next(keys for keys in TURNS if set(keys) <= set(table.place))
    if turn != ANGLES:
        axes = axes or table.says.get("camera axes", "")
        if axes not in CAMERA_AXES:
            wanted = f"--camera-axes {Y_DOWN} (x right, y down, z forward) or {Y_UP} (x right, y up, looking along -z)"
            raise one_problem("camera axes", axes or "not said in the file", wanted, path.name)
    rows, lines = _rows(table, turn, path)
    frame = rows[:, 0].astype(int)
    _require_frames(frame, lines, track, path.name)
    order = np.argsort(frame)
    at, turned = rows[:, 1:4], rows[:, 4 : 4 + len(turn)]
    if turn == ANGLES:
        world_from_cam = from_pan_tilt_roll(at, turned)
    else:
        if turn == QUATERNION and (empty := np.flatnonzero(~turned.any(axis=1))).size:
            raise one_problem(f"line {lines[empty[0]]}", "a quaternion of length 0", "qw, qx, qy, qz", path.name)
        matrix = matrix_from_quaternion(turned) if turn == QUATERNION else turned.reshape(-1, 3, 3)
        matrix = _turns(matrix, lines, path.name)
        world_from_cam = pose(matrix if axes == Y_DOWN else flip_camera_axes(matrix), at)
    mm, px = rows[:, -2], rows[:, -1]
    per_px = np.interp(frame, track.frame, track.focal_mm / track.focal_px[:, 0])
    focal = np.where(np.isnan(mm), px * per_px, mm)
    return SolvedCamera(path.name, frame[order], world_from_cam[order], focal[order])


def _rows(table: Table, turn: tuple[str, ...], path: Path) -> tuple[np.ndarray, list[int]]:
    """(F, 4 + turn + 2) numbers; focal lengths nan where they are absent; and line numbers."""
    problems = Problems(path.name)
    place, rows, lines = table.place, list[list[float]](), list[int]()
    unit: dict[str, float] = {key: METRES[table.unit[key]] for key in ("x", "y", "z") if key in table.unit}
    film = METRES[table.unit.get("focal", "mm")] * 1000
    for number, cells in table.rows(problems):
        row = []
        for key in ("frame", "x", "y", "z", *turn, "focal", "focal px"):
            text = cells[place[key]].strip() if key in place else ""
            try:
                if key in ("focal", "focal px") and not text:
                    row.append(np.nan)
                    continue
                value = table.angle(key, text) if key in ANGLES else table.number(text.removesuffix("mm"))
                if key == "frame" and value != int(value):
                    raise ValueError("a whole number")
                if key.startswith("focal") and value <= 0:
                    raise ValueError("a focal length above 0")
                row.append(value * (film if key == "focal" else unit.get(key, 1.0)))
            except BadInput:
                raise
            except ValueError as slip:
                problems.add(f"line {number}, {key}", repr(text), str(slip))
                row.append(1.0)
        rows.append(row)
        lines.append(number)
        if len(rows) > MOST_FRAMES:
            raise one_problem(f"line {number}", f"more than {MOST_FRAMES:,} frames", "one shot", path.name)
    problems.settle()
    if not rows:
        raise one_problem("rows", "none", "a row for every solved frame", path.name)
    return np.array(rows), lines


def _require_frames(frame: np.ndarray, lines: list[int], track: CameraTrack, file: str) -> None:
    problems = Problems(file)
    first: dict[int, int] = {}
    low, high = int(track.frame[0]), int(track.frame[-1])
    for number, line in zip(frame.tolist(), lines, strict=True):
        if first.setdefault(number, line) != line:
            problems.add(f"line {line}", f"frame {number} again, as in line {first[number]}", "every frame once")
        if not low <= number <= high:
            problems.add(f"line {line}", f"frame {number}", f"{low} to {high}, the shot's (or another --shot)")
    problems.settle()


def _turns(matrix: np.ndarray, lines: list[int], file: str) -> np.ndarray:
    """The nearest turns (F, 3, 3); what is far from one, or a reflection, is a problem."""
    problems = Problems(file)
    u, size, vt = np.linalg.svd(matrix)
    for i in np.flatnonzero(np.abs(size - 1).max(axis=1) > ROUGH).tolist():
        problems.add(f"line {lines[i]}", f"a matrix that stretches by {size[i, 0]:.4f}", "a turn, without scale")
    for i in np.flatnonzero(np.linalg.det(matrix) < 0).tolist():
        problems.add(f"line {lines[i]}", "a reflection", "a turn: right-handed axes")
    problems.settle()
    turned: np.ndarray = u @ vt
    return turned
