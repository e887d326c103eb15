"""The plan: stage, paint, markers, stands, blockers, cameras, shots and criteria, as frozen data.

Inside a plan lengths are metres, angles radians, times seconds; film back and focal length millimetres. Axes:
right-handed, Z up, origin at the stage datum, +Y upstage, +X to the right of somebody facing upstage.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from .. import sources
from . import fields as f

SCHEMA = 2

Vec2 = tuple[float, float]
Vec3 = tuple[float, float, float]

LENGTH_UNITS = ("m", "cm", "mm", "ft", "in")
SHAPES = ("random", "square", "triangle", "thin cross", "thick cross", "disc")
LAYOUTS = ("scatter", "grid", "placed")
MOVES = ("hold", "push", "pull", "dolly", "crane", "arc", "pan", "tilt")
INTERPOLATIONS = (
    "constant", "linear", "bezier", "sine", "quad", "cubic", "quart", "quint",
    "expo", "circ", "back", "bounce", "elastic",
)  # fmt: skip
EASINGS = ("auto", "in", "out", "in-out")
PATCH_USES = ("costume", "prop", "set piece", "skin or hair")
BLOCKER_KINDS = ("capsule", "box", "ellipsoid", "mesh")
ENCODINGS = ("sRGB", "BT.709")
CODE_RANGES = ("full", "narrow")
SAMPLINGS = ("4:4:4", "4:2:2", "4:2:0")
CHANNELS = ("luma", "red", "green", "blue")
MATCHINGS = ("reference", "frame to frame")
UNKNOWN = ("nothing", "focal length", "focal length and distortion")


@dataclass(frozen=True, slots=True, kw_only=True)
class Paint:
    """A measured patch. Exactly one of ``srgb`` (codes 0 to 255) and ``linear`` (reflectance 0 to 1) is given."""

    name: str = f.text()
    srgb: Vec3 | None = f.number(None, "sRGB code values of the patch, 0 to 255", size=3, low=0, high=255)
    linear: Vec3 | None = f.number(None, "linear-light reflectance, 0 to 1", size=3, low=0, high=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Patch(Paint):
    """A measured colour of what stands before the screen, to be told apart from it by the key."""

    use: str = f.choice("costume", "what has this colour", choices=PATCH_USES)


@dataclass(frozen=True, slots=True, kw_only=True)
class Floor:
    """A level rectangle. Its surface coordinates are world x and y."""

    name: str = f.text("floor")
    x: Vec2 = f.length(about="left and right edge", size=2)
    y: Vec2 = f.length(about="downstage and upstage edge", size=2)
    z: float = f.length(0.0, "height above the datum")
    paint: str = f.text("", "paint of the screen here; empty: the stage's", refers="paint")
    light: float = f.number(1.0, "light level, 1 = base exposure", low=0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wall:
    """A rectangle standing on a line. Coordinates: along the wall from ``start``, and up along the wall."""

    name: str = f.text()
    start: Vec2 = f.length(about="left end as seen from the stage", size=2)
    end: Vec2 = f.length(about="right end as seen from the stage", size=2)
    base: float = f.length(0.0, "height of the lower edge")
    height: float = f.length(about="length along the wall, upwards", low=0.01)
    lean: float = f.angle(0.0, "how far the top leans away from the stage", low=-1.5, high=1.5)
    paint: str = f.text("", "paint of the screen here; empty: the stage's", refers="paint")
    light: float = f.number(1.0, "light level, 1 = base exposure", low=0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """A rectangle at any angle. Coordinates: along ``across`` and along ``up`` from ``corner``."""

    name: str = f.text()
    corner: Vec3 = f.length(about="lower left corner as seen from its painted side", size=3)
    across: Vec3 = f.length(about="the whole lower edge as a vector", size=3)
    up: Vec3 = f.length(about="the whole left edge as a vector, square to across", size=3)
    paint: str = f.text("", "paint of the screen here; empty: the stage's", refers="paint")
    light: float = f.number(1.0, "light level, 1 = base exposure", low=0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cove:
    """The curved join of two flat surfaces: an exact part of a cylinder, tangent to both."""

    name: str = f.text()
    between: tuple[str, str] = f.text(about="the two surfaces it joins", size=2, refers="flat surface")
    radius: float = f.length(about="radius of the curve", low=0.01)
    light: float = f.number(1.0, "light level, 1 = base exposure", low=0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Shadow:
    """A part of a surface that is darker than the surface's light level."""

    surface: str = f.text(refers="surface")
    outline: tuple[Vec2, ...] = f.length(about="corners in the surface's coordinates", size=2, rows=True)
    factor: float = f.number(about="what is left of the light, 0 to 1", low=0, high=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Light:
    """A key light: parallel rays that blockers and gear stop, beside the even light of the stage.

    A surface's light level is what a meter reads there with nothing in the way, the key's part included.
    """

    azimuth: float = f.angle(about="where it comes from: 0 upstage, positive to the left, 180 the audience")
    elevation: float = f.angle(about="how high it stands above the horizon", low=-1.571, high=1.571)
    share: float = f.number(0.5, "its part of the light on a surface that faces it", low=0, high=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """The green screen: flat surfaces, the coves that join them, their paint and light."""

    paint: str = f.text("screen", "paint of the screen", refers="paint")
    floors: tuple[Floor, ...] = f.tables(Floor, key="floor")
    walls: tuple[Wall, ...] = f.tables(Wall, key="wall")
    panels: tuple[Panel, ...] = f.tables(Panel, key="panel")
    coves: tuple[Cove, ...] = f.tables(Cove, key="cove")
    shadows: tuple[Shadow, ...] = f.tables(Shadow, key="shadow")
    key_light: Light | None = f.table(Light, None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Keepout:
    """Where nothing may be taped or stood: an exit, a fire lane, a door, the camera's track."""

    name: str = f.text()
    surface: str = f.text(refers="surface")
    outline: tuple[Vec2, ...] = f.length(about="corners in the surface's coordinates", size=2, rows=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedMarker:
    """One marker put down by hand."""

    surface: str = f.text(refers="surface")
    at: Vec2 = f.length(about="centre in the surface's coordinates", size=2)
    size: float = f.length(about="square root of its area", low=0.002)
    turn: float = f.angle(0.0, "turned counter-clockwise, seen from the stage")
    outline: tuple[Vec2, ...] = f.length(
        (), "its own corners about its centre, unturned; empty: the set's shape", size=2, rows=True
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class MarkerSet:
    """Markers of one shape and paint on some surfaces.

    ``scatter`` is blue noise at least ``spacing`` apart; ``grid`` is a square lattice with that pitch; ``placed``
    takes the markers listed by hand. Where ``count`` or ``density`` is given instead, the spacing follows.
    """

    name: str = f.text()
    surfaces: tuple[str, ...] = f.text(about="where they go", size=0, refers="surface")
    layout: str = f.choice("scatter", choices=LAYOUTS)
    shape: str = f.choice("random", choices=SHAPES)
    corners: Vec2 = f.count((5, 8), "fewest and most corners of a random shape", size=2, low=3, high=12)
    size: Vec2 = f.length((0.10, 0.16), "smallest and largest square root of a marker's area", size=2, low=0.002)
    paint: str = f.text("marker", refers="paint")
    spacing: float | None = f.length(None, "smallest distance between centres", low=0.01)
    count: int | None = f.count(None, "how many", low=1, high=100_000)
    density: float | None = f.number(None, "how many per square metre", low=0)
    margin: float = f.length(0.15, "free strip along the surface's edges and keep-outs", low=0)
    area: tuple[Vec2, ...] = f.length(
        (), "part of the surface to use, corners in its coordinates; empty: all", size=2, rows=True
    )
    turn: float | None = f.angle(None, "one angle for all; absent: every marker at its own random angle")
    need: float = f.number(
        0.0, "0: even; 1: density follows where the shots look and spares where performers pass", low=0, high=1
    )
    seed: int = f.count(1, "seed of this set's random choices", low=0)
    placed: tuple[PlacedMarker, ...] = f.tables(PlacedMarker, key="placed")


@dataclass(frozen=True, slots=True, kw_only=True)
class Stand:
    """A free-standing pole with tape bands: what makes near and far move differently."""

    name: str = f.text()
    at: Vec2 = f.length(about="where its foot stands", size=2)
    base: float = f.length(0.0, "height of the ground under it")
    height: float = f.length(about="height of the pole", low=0.1, high=15)
    pole: float = f.length(0.035, "thickness of the pole", low=0.002)
    bands: tuple[float, ...] = f.length(about="heights of the band centres above its foot", size=0, low=0)
    band_width: float = f.length(0.05, "height of one band", low=0.002)
    paint: str = f.text("band", "paint of the bands", refers="paint")
    pole_paint: str = f.text("", "paint of the pole; empty: black metal", refers="paint")


@dataclass(frozen=True, slots=True, kw_only=True)
class Gear:
    """Static gear that helps the solve: a box, or a mesh in such a box, with hard points."""

    name: str = f.text()
    at: Vec3 = f.length(about="centre of its foot", size=3)
    size: Vec3 = f.length(about="width, depth, height", size=3, low=0.01)
    turn: float = f.angle(0.0, "turned counter-clockwise, seen from above")
    points: tuple[Vec3, ...] = f.length(
        (), "hard points from its foot, in its own axes; empty: its eight corners", size=3, rows=True
    )
    file: str = f.text("", "triangle mesh (OBJ, metres, Z up, from its foot) beside the plan; empty: the box")
    paint: str = f.text("band", refers="paint")


@dataclass(frozen=True, slots=True, kw_only=True)
class PathKey:
    """Where something stands at a frame."""

    frame: int = f.count()
    at: Vec3 = f.length(about="centre of its foot", size=3)
    turn: float = f.angle(0.0, "turned counter-clockwise, seen from above")
    interpolation: str = f.choice("linear", choices=INTERPOLATIONS)


@dataclass(frozen=True, slots=True, kw_only=True)
class Blocker:
    """What hides features: a performer who moves, a set piece that stands. Never a source of features."""

    name: str = f.text()
    kind: str = f.choice("capsule", choices=BLOCKER_KINDS)
    size: Vec3 = f.length((0.55, 0.40, 1.80), "width, depth, height", size=3, low=0.01)
    file: str = f.text("", "triangle mesh (OBJ, metres, Z up) beside the plan, for kind mesh")
    at: Vec3 = f.length((0.0, 0.0, 0.0), "centre of its foot where it has no keys", size=3)
    turn: float = f.angle(0.0, "turned counter-clockwise, seen from above")
    keys: tuple[PathKey, ...] = f.tables(PathKey, key="key")
    shots: tuple[str, ...] = f.text((), "shots in which it is there; empty: all", size=0, refers="shot")


@dataclass(frozen=True, slots=True, kw_only=True)
class Camera:
    """A camera package: what the whole gate records and what the audience sees of it."""

    name: str = f.text()
    film_back: Vec2 = f.film(about="width and height of the gate, mm", size=2, low=2, high=200)
    resolution: tuple[int, int] = f.count(about="recorded pixels of the whole gate", size=2, low=16, high=20000)
    shift: Vec2 = f.film(
        (0.0, 0.0), "lens shift, mm: positive shows more of the right, of the top", size=2, low=-100, high=100
    )
    squeeze: float = f.number(1.0, "anamorphic squeeze, 2 for a 2x lens", low=0.5, high=3)
    delivery_aspect: float = f.number(about="width over height of what the audience sees", low=0.2, high=5)
    delivery_width: int = f.count(2048, "pixels across the delivery frame", low=16, high=20000)
    focal_length: float = f.film(about="focal length, mm", low=1, high=2000)
    distortion: tuple[float, ...] = f.number((0.0,) * 5, "Brown-Conrady k1, k2, p1, p2, k3", size=5)
    unknown: str = f.choice("focal length", "what of the lens the solve has to find", choices=UNKNOWN)
    stop: float = f.number(4.0, "f-number", low=0.5, high=64)
    focus: float = f.length(4.0, "focus distance", low=0.05)
    shutter: float = f.angle(math.pi, "shutter angle", low=0, high=2 * math.pi)
    exposure: float | None = f.time(None, "exposure time; overrides the shutter angle", low=0, high=1)
    read_out: float = f.time(0.0, "time in which a rolling shutter reads the gate", low=0, high=1)
    encoding: str = f.choice("sRGB", "transfer function of the recording", choices=ENCODINGS)
    code_range: str = f.choice("full", "codes of black and white: 0 and 255, or 16 and 235", choices=CODE_RANGES)
    bits: int = f.count(8, "bits of a recorded code", low=8, high=16)
    sampling: str = f.choice("4:4:4", "how finely the recording keeps colour", choices=SAMPLINGS)
    read_noise: float = f.number(
        sources.READ_NOISE.value, "noise in the dark: standard deviation as a part of white", low=0, high=1
    )
    shot_noise: float = f.number(
        sources.SHOT_NOISE.value, "noise of the light itself at white, base exposure, as a part of white", low=0, high=1
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Wander:
    """Hand-held unrest: seeded noise, limited to a band of frequencies, added to a move."""

    travel: float = f.length(0.02, "standard deviation of the position, each axis", low=0)
    turn: float = f.angle(math.radians(0.5), "standard deviation of pan, tilt and roll", low=0)
    band: Vec2 = f.number((0.3, 3.0), "lowest and highest frequency, Hz", size=2, low=0.001)
    seed: int = f.count(1, low=0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """A move by its kind. What each kind takes is told in ``camera/moves.py`` and by its template."""

    kind: str = f.choice("hold", choices=MOVES)
    start: Vec3 = f.length(about="where the camera starts", size=3)
    aim: Vec3 = f.length(about="what it looks at", size=3)
    distance: float = f.length(1.0, "length of a push, pull, dolly or crane")
    angle: float = f.angle(math.radians(30), "angle of an arc, pan or tilt")
    ease: str = f.choice("sine", "how it starts and stops", choices=INTERPOLATIONS)
    wander: Wander | None = f.table(Wander, None)


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraKey:
    """The camera at a frame. Looks at ``aim`` where the first key has one, else along pan, tilt and roll.

    Pan 0 looks upstage, positive to the left; tilt positive up; roll positive clockwise about the level heading
    as the camera sees it.
    """

    frame: int = f.count()
    at: Vec3 = f.length(size=3)
    aim: Vec3 | None = f.length(None, "what it looks at", size=3)
    pan: float = f.angle(0.0)
    tilt: float = f.angle(0.0)
    roll: float = f.angle(0.0)
    focal_length: float | None = f.film(None, "mm; absent: the camera's", low=1, high=2000)
    focus: float | None = f.length(None, "focus distance; absent: the camera's", low=0.05)
    interpolation: str = f.choice("bezier", choices=INTERPOLATIONS)
    easing: str = f.choice("auto", choices=EASINGS)


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraSample:
    """One evaluated frame of a camera animated in some other way (constraints, drivers, imports)."""

    at: Vec3 = f.length(size=3)
    turn: tuple[float, float, float, float] = f.number(about="unit quaternion w, x, y, z: world from camera", size=4)
    focal_length: float | None = f.film(None, low=1, high=2000)
    focus: float | None = f.length(None, low=0.05)


@dataclass(frozen=True, slots=True, kw_only=True)
class Criteria:
    """Limits of readiness: each pair is (firm, thin). Absent in a shot: the plan's."""

    features: Vec2 | None = f.number(None, "trackable features in a frame", size=2, low=0)
    depths: Vec2 | None = f.number(None, "depths told apart", size=2, low=0)
    out_of_plane: Vec2 | None = f.number(None, "out-of-plane signal, sigma", size=2, low=0)
    blur: Vec2 | None = f.number(None, "motion blur at the features, px", size=2, low=0)
    drift: Vec2 | None = f.number(None, "slow part of an insert's slide, 95 of 100 takes, delivery px", size=2, low=0)
    jitter: Vec2 | None = f.number(None, "its unrest from frame to frame, likewise", size=2, low=0)
    matching: str | None = f.choice(
        None, "patterns are matched back to a reference and warped, or from frame to frame", choices=MATCHINGS
    )
    most_tracks: int | None = f.count(None, "tracks that a solve gets at most", low=8)
    track_frames: int | None = f.count(None, "shortest run of frames that makes a track", low=1)
    window: float | None = f.number(None, "side of the tracking window, px", low=3, high=201)
    smallest_edge: float | None = f.number(None, "shortest edge of a trackable corner, px", low=0)
    apart: float | None = f.number(None, "features nearer than this are one to the tracker, px", low=0)
    steepest: float | None = f.angle(None, "largest angle between a surface's normal and the view", low=0, high=1.571)
    contrast: Vec2 | None = f.number(None, "markers against their screen, stops", size=2, low=0)
    channel: str | None = f.choice(None, "what the tracker looks at", choices=CHANNELS)
    match: float | None = f.number(
        None, "standard deviation of a match from frame to frame up to which it tracks, px", low=1e-6
    )
    sigma: float | None = f.number(None, "error of a track beyond the noise of its sightings, px", low=1e-6)


@dataclass(frozen=True, slots=True, kw_only=True)
class PaintChoice:
    """By what weights the candidates for marker paint are ranked: any numbers, 0 leaves a measure out."""

    contrast: float = f.number(1.0, "how well corners track in full light", low=0)
    shadow: float = f.number(1.0, "how well they track in the plan's darkest shadow", low=0)
    key: float = f.number(1.0, "how little of soft edges the key loses with them", low=0)
    rim: float = f.number(1.0, "how narrow the rims are that they leave", low=0)
    colours: float = f.number(1.0, "how few colours of wardrobe and props are lost with them", low=0)
    clipping: float = f.number(1.0, "how far they stay from clipping", low=0)
    cleanup: float = f.number(1.0, "how little work they make where performers pass before them", low=0)
    step: float = f.number(0.5, "stops by which the screen's own paint is made lighter and darker", low=0.05, high=4)
    most_crunch: float = f.number(0.5, "part of the matte beyond which a marker is painted out by hand", low=0, high=1)
    alike: float = f.number(10.0, "colours nearer than this to a marker go with it, CIEDE2000", low=0, high=100)


@dataclass(frozen=True, slots=True, kw_only=True)
class Shot:
    """One shot: a camera, a move, frames. Exactly one of ``move``, ``keys`` and ``samples`` is given."""

    name: str = f.text()
    camera: str = f.text(refers="camera")
    frames: tuple[int, int] = f.count(about="first and last frame", size=2)
    rate: float = f.number(24.0, "frames per second", low=1, high=1000)
    focal_length: float | None = f.film(None, "mm; absent: the camera's", low=1, high=2000)
    focus: float | None = f.length(None, "focus distance; absent: the camera's", low=0.05)
    stop: float | None = f.number(None, "f-number; absent: the camera's", low=0.5, high=64)
    exposure: float | None = f.time(None, "exposure time; absent: the camera's", low=0, high=1)
    light: float = f.number(1.0, "light on the stage; 1: what the camera's own stop and shutter want", low=0)
    action_point: Vec3 = f.length((0.0, 0.0, 0.0), "where the insert will stand", size=3)
    wants: str = f.text("", "what the director wants in frame")
    move: Move | None = f.table(Move, None)
    keys: tuple[CameraKey, ...] = f.tables(CameraKey, key="key")
    samples: tuple[CameraSample, ...] = f.tables(CameraSample, key="sample")
    criteria: Criteria | None = f.table(Criteria, None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """One stage with everything planned on it."""

    schema: int = f.count(SCHEMA)
    name: str = f.text()
    note: str = f.text("")
    units: str = f.choice("m", "unit of bare lengths, and of what people are shown", choices=LENGTH_UNITS)
    paints: tuple[Paint, ...] = f.tables(Paint, key="paint")
    patches: tuple[Patch, ...] = f.tables(Patch, key="patch")
    stage: Stage = f.table(Stage)
    keepouts: tuple[Keepout, ...] = f.tables(Keepout, key="keepout")
    markers: tuple[MarkerSet, ...] = f.tables(MarkerSet)
    stands: tuple[Stand, ...] = f.tables(Stand, key="stand")
    gear: tuple[Gear, ...] = f.tables(Gear)
    blockers: tuple[Blocker, ...] = f.tables(Blocker, key="blocker")
    cameras: tuple[Camera, ...] = f.tables(Camera, key="camera")
    shots: tuple[Shot, ...] = f.tables(Shot, key="shot")
    criteria: Criteria | None = f.table(Criteria, None)
    paint_choice: PaintChoice | None = f.table(PaintChoice, None)
