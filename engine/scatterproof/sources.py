"""Every threshold with its unit and where it comes from."""

from __future__ import annotations

from dataclasses import dataclass

TRADE = "common practice, no source"
OURS = "ours"


@dataclass(frozen=True, slots=True)
class Sourced:
    """A number and the reason to believe it."""

    value: float
    unit: str
    source: str


@dataclass(frozen=True, slots=True)
class Limit:
    """Where a frame stops being firm, and where it stops being thin."""

    firm: float
    thin: float
    unit: str
    source: str


FEATURES = Limit(12, 7, "features", f"seven at least, spread in depth: {TRADE}; twelve: {OURS}")
DEPTHS = Limit(3, 2, "depths", TRADE)
OUT_OF_PLANE = Limit(10, 3, "sigma", f"{OURS}: ten sigma fixes the amplitude to a tenth, three is bare detection")
BLUR = Limit(4, 10, "px", f"exposure of 1/100 s or shorter: {TRADE}; in pixels: {OURS}")
CONTRAST = Limit(0.45, 0.25, "stops", f"about half a stop, a quarter at least: {TRADE}; patches are whole codes")

TRACK_FRAMES = Sourced(8, "frames", f"{OURS}: a third of a second at 24 frames per second")
WINDOW = Sourced(15, "px", f"{OURS}: side of the patch a tracker compares")
SMALLEST_EDGE = Sourced(4, "px", f"{OURS}: corners nearer than this merge, see the corner bench")
APART = Sourced(4, "px", f"{OURS}: as the smallest edge")
STEEPEST = Sourced(80, "degrees", f"{OURS}: corners of a 25 px marker hold to about 75 to 80 degrees")
SIGMA = Sourced(
    0.2,
    "px",
    f"{OURS}: matches of 0.06 px (half a stop, slightly soft) that wander over ten frames",
)

# A camera's noise, as parts of white: the linear model of EMVA Standard 1288 (from memory). The figures are ours: code
# 150 of an even patch has a standard deviation of 2 codes, a clean picture at its base exposure. Measure yours.
READ_NOISE = Sourced(0.001, "of white", f"{OURS}: four electrons where white is 4,000")
SHOT_NOISE = Sourced(0.016, "of white", f"{OURS}: the square root of 4,000 electrons, as a part of them")
GREY = Sourced(0.18, "reflectance", f"a paint nobody measured: middle grey, {TRADE}")
BLACK = Sourced(0.04, "reflectance", f"{OURS}: flat black wall paint")
WHITE = Sourced(0.85, "reflectance", f"{OURS}: flat white wall paint")
POLE = Sourced(0.05, "reflectance", f"{OURS}: black metal of a stand")

# A depth is told from the next when their out-of-plane signals differ by this much of their common sigma.
DEPTH_GAP = Sourced(3, "sigma", f"{OURS}: the usual rule of detection")
# A camera that never moves a feature at the nearest depth by more than this against infinity only rotates.
NODAL = Sourced(3, "sigma", f"{OURS}: parallax of the nearest feature over the whole move")

MARKER_GAP = Sourced(0.02, "m", f"{OURS}: bare screen between two markers, so that their edges don't read as one")
STAND_FOOT = Sourced(0.45, "m", f"how far the legs of a light stand reach out: {TRADE}")

# The reference tracker's constants follow from its kernels: tests/outside/test_localisation_published.py.
PIXEL_BLUR = Sourced(0.515, "px", f"{OURS}: square pixel, Scharr derivative and bilinear samples on an ideal edge")
GRADIENT_NOISE = Sourced(0.043, "", f"{OURS}: noise of Scharr derivatives met by that of bilinear samples, per pixel")
TRACKED = Sourced(
    0.4, "px", f"{OURS}: sigma of a match at which one in a hundred misses by a pixel, tests/outside/corner_bench.py"
)
LIKE = Sourced(0.9, "likeness", f"{OURS}: from here on a search that scores by correlation accepts either")
SEARCH_AGAIN = Sourced(0.1, "of the gate's width", f"{OURS}: how far a lost track is looked for after a gap")
TRACK_FLOOR = Sourced(
    0.045,
    "px",
    f"{OURS}: what sampling and rounding add to the place of a match, each axis; scatter of the tracks in "
    "tests/outside/rendered_push.py, matched back to a reference",
)
MOST_TRACKS = Sourced(
    200, "tracks", f"{OURS}: what a person checks one by one; more are better, but few shots get them"
)
BLUNDERS = Sourced(0.02, "of sightings", f"{OURS}: matches that landed on something else")
BLUNDER_PX = Sourced(25, "px", f"{OURS}: how far they are off, each axis")
TRACK_LIFE = Sourced(500, "frames", f"{OURS}: after which a track breaks and starts anew, on average")
FOCAL_KNOWN = Sourced(0.01, "of itself", f"{OURS}: how well a marked focal length is known before the solve")

BEND = Sourced(2, "", f"{OURS}: weighted squares at a slide of one sigma, 1 where a solve is linear")

DRIFT = Limit(
    1,
    3,
    "px",
    f"{OURS}: what 95 of 100 takes stay below, of the delivery frame; what is foreseen came true within two times in "
    "tests/outside/rendered_push.py",
)
JITTER = Limit(0.25, 1, "px", f"{OURS}: likewise; a quarter of a pixel is where an eye begins to see it")

STAND_MINUTES = Sourced(10, "minutes", f"{OURS}: to set a stand out, weight it and measure it in")
MARKER_MINUTES = Sourced(2, "minutes", f"{OURS}: to set a marker out, cut and tape it")
SETTING_MINUTES = Sourced(5, "minutes", f"{OURS}: to agree on a stop, a shutter and the light they want")
CAMERA_CLEAR = Sourced(0.9, "m", f"{OURS}: from a camera's path to whatever stands: half a dolly and an operator")
ACTION_CLEAR = Sourced(0.6, "m", f"{OURS}: from an action point to a stand, seen from above: the insert stands there")
PERFORMER_CLEAR = Sourced(0.3, "m", f"{OURS}: between a performer's path and the legs of a stand")

PAN_ASTRAY = Sourced(1, "degrees", f"{OURS}: sigma of how a take differs from the plan, one value a take; tilt too")
ROLL_ASTRAY = Sourced(0.5, "degrees", f"{OURS}: likewise, a head that is not quite level")
HEIGHT_ASTRAY = Sourced(0.05, "m", f"{OURS}: likewise, of the camera")
DISTANCE_ASTRAY = Sourced(0.1, "m", f"{OURS}: likewise, track laid nearer to the action or farther from it")
FOCAL_ASTRAY = Sourced(0.02, "of itself", f"{OURS}: likewise, a lens whose engraving is off, a zoom that is set by eye")
SPEED_ASTRAY = Sourced(0.05, "of itself", f"{OURS}: likewise, of the whole move")
PERFORMER_ASTRAY = Sourced(0.3, "m", f"{OURS}: likewise, across and upstage: a mark that is missed by a foot")
