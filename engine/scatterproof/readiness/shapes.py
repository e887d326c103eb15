"""The choice of marker shape: how many corners each keeps in a plan's shots, and how many of them have a double.

Every candidate has the plan's numbers, areas and paint. No shape is preferred here: corners are counted by the same
sightings as in a rehearsal, doubles by what a tracker's window would hold of them.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ..camera.track import CameraTrack, camera_track
from ..plan.criteria import ShotCriteria, criteria_of
from ..plan.model import SHAPES, MarkerSet, PlacedMarker, Plan, Shot
from ..sightings.blockers import Occluder, build_occluders
from ..sightings.lookalike import Doubles, lookalikes
from ..sightings.need import planned_layout
from ..sightings.photometry import Looks, looks_of, rings_of
from ..sightings.sighting import Sightings
from ..sightings.tilt import surviving_corners
from ..sightings.visibility import Spread, sight, spread_of
from ..sources import LIKE, PIXEL_BLUR, SEARCH_AGAIN
from ..stage.layout import CORNER, Layout, build_layout
from ..stage.shapes import outlines, plain_outline
from .rehearse import choose_shots

CORNERED = tuple(shape for shape in SHAPES if shape != "disc")
PLANNED, SAME_PLACES = "as planned", "planned places, random angles"
GRID, RANDOM_GRID = "grid, all turned alike", "grid, random angles"
FRAMES = 5  # of a shot, evenly
TILTS = np.radians([0, 30, 45, 60, 65, 70, 75, 80, 85])
AZIMUTHS = np.radians(np.arange(0, 180, 15))
SIZES_PX = (10.0, 25.0)  # beside the plan's own typical size
SOME = 40  # random markers that stand for all
WORST = 12  # doubles that are told one by one


@dataclass(frozen=True, slots=True)
class Layouting:
    """One candidate over the frames looked at."""

    shape: str  # empty: as planned
    arrangement: str
    corners: float  # tracked per frame, mean
    fewest: int  # in the frame that has the fewest
    doubled: float  # corners per frame with a double in reach from one frame to the next, mean
    doubled_again: float  # the same where a lost track is looked for
    jumps: float  # expected per frame to the next, from noise alone, mean

    @property
    def safe(self) -> float:
        """Corners per frame that are tracked and have no double even where a lost track is looked for."""
        return self.corners - self.doubled_again


@dataclass(frozen=True, slots=True)
class Mistaken:
    """A corner and its double."""

    shot: str
    frame: int
    marker: str
    other: str
    apart_px: float
    alike: float
    chance: float


@dataclass(frozen=True, slots=True, eq=False)
class Tilted:
    """Corners that survive, per marker, for S sizes and T tilts: mean, least and most over azimuths."""

    shape: str
    mean: np.ndarray  # (S, T)
    worst: np.ndarray
    best: np.ndarray


@dataclass(frozen=True, slots=True, eq=False)
class ShapeStudy:
    """What a plan's markers would do in other shapes."""

    rows: tuple[Layouting, ...]  # most safe corners first
    mistaken: tuple[Mistaken, ...]  # of the plan as it is, likest first
    tilted: tuple[Tilted, ...]
    sizes_px: tuple[float, ...]
    contrast: float  # code values, median over tracked corners of the plan as it is
    noise: float
    disc_px: float
    frames: int  # looked at, over all shots


@dataclass(frozen=True, slots=True, eq=False)
class _Stand:
    """One shot, and where its camera stands in the frames looked at."""

    shot: Shot
    track: CameraTrack
    criteria: ShotCriteria
    occluders: tuple[Occluder, ...]
    rows: tuple[int, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Look:
    """One frame of one candidate. Tables have one row."""

    stand: _Stand
    row: int
    sightings: Sightings
    held: np.ndarray  # (N,) bool: tracked corners
    near: Doubles
    again: Doubles
    contrast: np.ndarray  # (N,)
    noise: np.ndarray  # (N,)


def study_shapes(
    plan: Plan, shots: Sequence[str] = (), folder: Path = Path(), tell: Callable[[str, int, int], None] | None = None
) -> ShapeStudy:
    """Try every shape with corners in the plan's own shots, as scattered as planned and as a grid.

    shots : names; empty: all
    folder : where mesh files of blockers are looked for
    tell : called with (candidate, done, total) before each
    Raises BadInput for a name that is no shot, and where the plan can't be built.
    """
    stands = [_stand(plan, shot, folder) for shot in choose_shots(plan, shots)]
    planned = planned_layout(plan, folder)
    rows: list[Layouting] = []
    own: list[_Look] = []
    candidates = list(candidates_of(plan, planned))
    for done, (shape, arrangement, candidate) in enumerate(candidates):
        if tell:
            tell(f"{shape} {arrangement}".strip(), done, len(candidates))
        layout = planned if candidate is plan else build_layout(candidate)
        looks = list(_looks(candidate, layout, stands))
        rows.append(_counted(shape, arrangement, looks))
        own = own or looks
    sizes, contrast, noise, disc = _typical(planned, own)
    return ShapeStudy(
        rows=tuple(sorted(rows, key=lambda row: -row.safe)),
        mistaken=tuple(_mistaken(planned, own)),
        tilted=tuple(_tilted(plan, shape, sizes, contrast, noise, disc) for shape in CORNERED),
        sizes_px=sizes,
        contrast=contrast,
        noise=noise,
        disc_px=disc,
        frames=len(own),
    )


def candidates_of(plan: Plan, layout: Layout) -> Iterator[tuple[str, str, Plan]]:
    """(shape, arrangement, plan): the plan itself; its places with every shape; grids of as many of one shape."""
    yield "", PLANNED, plan
    if not len(layout.markers.name):
        return
    for shape in CORNERED:
        same = tuple(_in_places(group, shape, layout, i) for i, group in enumerate(plan.markers))
        yield shape, SAME_PLACES, dataclasses.replace(plan, markers=same)
    for shape in CORNERED:
        rows = (_in_rows(group, shape, layout, i) for i, group in enumerate(plan.markers))
        yield (
            shape,
            RANDOM_GRID if shape == "random" else GRID,
            dataclasses.replace(plan, markers=tuple(row for row in rows if row)),
        )


def _in_places(group: MarkerSet, shape: str, layout: Layout, index: int) -> MarkerSet:
    """The set's markers where they are, of another shape, each at its own random angle."""
    markers = layout.markers
    mine = np.flatnonzero(markers.set_index == index)
    turn = np.random.Generator(np.random.PCG64([group.seed, index])).uniform(0, 2 * math.pi, len(mine))
    placed = tuple(
        PlacedMarker(
            surface=layout.surfaces[markers.surface[i]].name,
            at=(float(markers.centre_uv[i, 0]), float(markers.centre_uv[i, 1])),
            size=float(markers.size_m[i]),
            turn=float(angle),
        )
        for i, angle in zip(mine, turn, strict=True)
    )
    return dataclasses.replace(group, shape=shape, layout="placed", placed=placed)


def _in_rows(group: MarkerSet, shape: str, layout: Layout, index: int) -> MarkerSet | None:
    """As many markers of the set's mean area in a grid; random ones keep their random angles. None for an empty set."""
    mine = layout.markers.set_index == index
    if not mine.any():
        return None
    size = float(np.sqrt(np.mean(layout.markers.size_m[mine] ** 2)))
    names = tuple(dict.fromkeys(layout.surfaces[i].name for i in layout.markers.surface[mine]))
    return dataclasses.replace(
        group, shape=shape, layout="grid", surfaces=group.surfaces or names, placed=(), size=(size, size), need=0.0,
        count=int(mine.sum()), spacing=None, density=None, turn=None if shape == "random" else 0.0,
    )  # fmt: skip


def _stand(plan: Plan, shot: Shot, folder: Path) -> _Stand:
    track = camera_track(plan, shot)
    rows = np.unique(np.linspace(0, len(track) - 1, FRAMES).round().astype(int))
    return _Stand(
        shot, track, criteria_of(plan, shot), build_occluders(plan, shot, track.frame, folder), tuple(rows.tolist())
    )


def _looks(plan: Plan, layout: Layout, stands: Sequence[_Stand]) -> Iterator[_Look]:
    spread, rings = spread_of(layout.features), rings_of(layout.features)
    for stand in stands:
        looks = looks_of(plan, stand.shot, layout, stand.criteria.channel)
        for row in stand.rows:
            yield _look(stand, row, layout, spread, rings, looks)


def _look(stand: _Stand, row: int, layout: Layout, spread: Spread, rings: Sequence[np.ndarray], looks: Looks) -> _Look:
    track, criteria = stand.track, stand.criteria
    found = sight(layout.features, track, stand.occluders, criteria, slice(row, row + 1), spread, looks)
    held = found.seen & (layout.features.kind == CORNER)
    shade = found.shaded[0].astype(int) if len(looks.contrast) > 1 else np.zeros(held.shape[1], int)
    contrast, noise = (table[shade, np.arange(held.shape[1])] for table in (looks.contrast, looks.noise))
    disc, smear, step = (
        float(np.median(values[held], axis=0)) if held.any() else 0.0
        for values in (found.defocus_px, found.blur_px, found.blur_px / max(track.rate * track.exposure_s, 1e-9))
    )
    blur = math.sqrt(PIXEL_BLUR.value**2 + disc**2 / 16 + smear**2 / 24)
    wide = float(track.size_px[0])
    near, again = (
        lookalikes(found.uv_px, rings, held, reach, blur, criteria.window, contrast, noise)
        for reach in (criteria.window + step, SEARCH_AGAIN.value * wide)
    )
    return _Look(stand, row, found, held[0], near, again, contrast, noise)


def _counted(shape: str, arrangement: str, looks: Sequence[_Look]) -> Layouting:
    def mean(values: Iterator[float]) -> float:
        return float(np.mean(list(values))) if looks else 0.0

    return Layouting(
        shape,
        arrangement,
        corners=mean(float(look.held.sum()) for look in looks),
        fewest=min((int(look.held.sum()) for look in looks), default=0),
        doubled=mean(float((look.near.alike >= LIKE.value).sum()) for look in looks),
        doubled_again=mean(float((look.again.alike >= LIKE.value).sum()) for look in looks),
        jumps=mean(float(look.near.chance.sum()) for look in looks),
    )


def _mistaken(layout: Layout, looks: Sequence[_Look]) -> list[Mistaken]:
    """The likest double of each marker's corners in any frame looked at, where a lost track would be looked for."""
    names, owner = layout.owner_names, layout.features.owner
    worst: dict[int, Mistaken] = {}
    for look in looks:
        alike, which, uv = look.again.alike[0], look.again.which[0], look.sightings.uv_px[0]
        for corner in np.flatnonzero(alike >= LIKE.value):
            other, marker = int(which[corner]), int(owner[corner])
            if marker in worst and worst[marker].alike >= alike[corner]:
                continue
            worst[marker] = Mistaken(
                look.stand.shot.name, int(look.stand.track.frame[look.row]), names[marker], names[owner[other]],
                float(np.hypot(*(uv[corner] - uv[other]))), float(alike[corner]), float(look.again.chance[0, corner]),
            )  # fmt: skip
    return sorted(worst.values(), key=lambda row: -row.alike)[:WORST]


def _typical(layout: Layout, looks: Sequence[_Look]) -> tuple[tuple[float, ...], float, float, float]:
    """Sizes in px (the plan's own last), contrast, noise and defocus, each a median over tracked corners."""
    rows: list[np.ndarray] = [np.empty((0, 4))]
    markers = len(layout.markers.name)
    for look in looks:
        held = np.flatnonzero(look.held & (layout.features.owner < markers))
        scale = math.sqrt(look.stand.track.focal_px[look.row].prod())
        px = layout.markers.size_m[layout.features.owner[held]] * scale / look.sightings.depth_m[0, held]
        soft = look.sightings.defocus_px[0, held]
        rows.append(np.column_stack([px, np.abs(look.contrast[held]), look.noise[held], soft]))
    table = np.concatenate(rows)
    if not len(table):
        return SIZES_PX, 25.0, 2.0, 2.0
    size, contrast, noise, disc = (float(v) for v in np.median(table, axis=0))
    return (*SIZES_PX, size), contrast, noise, disc


def _tilted(
    plan: Plan, shape: str, sizes_px: tuple[float, ...], contrast: float, noise: float, disc_px: float
) -> Tilted:
    """Random ones hang at random angles, the others all alike."""
    if shape == "random":
        corners = next((group.corners for group in plan.markers if group.shape == "random"), (5, 8))
        turn = np.random.Generator(np.random.PCG64(1)).uniform(0, 2 * math.pi, SOME)
        some = [o @ _turned(angle).T for o, angle in zip(outlines(shape, corners, [1], SOME), turn, strict=True)]
    else:
        some = [plain_outline(shape)]
    left = surviving_corners(some, TILTS, sizes_px, AZIMUTHS, contrast, noise, disc_px)
    return Tilted(shape, left.mean(axis=2), left.min(axis=2), left.max(axis=2))


def _turned(angle: float) -> np.ndarray:
    c, s = math.cos(angle), math.sin(angle)
    return np.array([[c, -s], [s, c]])
