"""Light, paint and recording: what an edge of paint is worth in code values, and what noise lies over it.

Linear light throughout: paints are matt (what they send back is reflectance times light, whatever the angle), 1 is what
a white surface of light level 1 sends back, and the camera's white at its base exposure. Codes are on the eight-bit
scale, 0 to 255, however many bits are recorded.

Exposure is kept simply: a camera package's own stop and shutter are its base exposure, at which the stage is lit so
that level 1 records as 1. A shot that stops down or shortens the shutter without more light records less; ``light`` of
a shot tells how much more there is. Nothing is pushed up again afterwards, and glare, dirt and fall-off towards the
picture's corners are left out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..camera.track import camera_exposure_s
from ..plan.model import CHANNELS, Camera, Light, Plan, Shadow, Shot
from ..plan.paint import linear_named, linear_to_srgb, srgb_to_linear
from ..sources import PIXEL_BLUR, POLE
from ..stage import polygons
from ..stage.layout import BAND, CORNER, Features, Layout
from ..stage.surfaces import Surface, to_surface
from .blockers import Occluder

LUMA = np.array([0.2126, 0.7152, 0.0722])  # ITU-R BT.709 (from memory), of linear light and of codes alike
JOIN_709, TOE_709 = 0.018, 0.081  # BT.709: where its straight part ends, in light and in code
JOIN_SRGB = 0.0031308
DARK = 1e-9  # light that counts as none when stops are told
TOP_CODE = 255.0
# Colour halved in resolution: the mean of two pixels, held over two pixels, adds 1/4 px^2 of blur each. 4:2:2 halves it
# across only, so that edges of all directions lose half as much on the average. A model: sites and filters differ.
CHROMA_BLUR_PX2 = {"4:4:4": 0.0, "4:2:2": 0.25, "4:2:0": 0.5}


# --- the recording ---------------------------------------------------------------------------------------------


def encode(linear: np.ndarray | float, encoding: str = "sRGB", code_range: str = "full") -> np.ndarray:
    """Code values (any shape, not clipped) of linear light.

    Sources: IEC 61966-2-1 (sRGB); ITU-R BT.709, whose published constants leave a step of 2.5e-4 at the join; narrow
    range is 16 + 219 of it.

    >>> encode(0.18).round(2), encode(0.18, "BT.709", "narrow").round(2)
    (117.65, 105.57)
    """
    linear = np.asarray(linear, float)
    if encoding == "sRGB":
        share = linear_to_srgb(linear)
    else:
        share = np.where(linear < JOIN_709, 4.5 * linear, 1.099 * np.maximum(linear, 0) ** 0.45 - 0.099)
    black, span = _span(code_range)
    codes: np.ndarray = black + span * share
    return codes


def decode(code: np.ndarray | float, encoding: str = "sRGB", code_range: str = "full") -> np.ndarray:
    """Linear light of code values: the inverse of :func:`encode`."""
    black, span = _span(code_range)
    share = (np.asarray(code, float) - black) / span
    if encoding == "sRGB":
        return srgb_to_linear(share)
    upper = ((np.maximum(share, 0) + 0.099) / 1.099) ** (1 / 0.45)
    linear: np.ndarray = np.where(share < TOE_709, share / 4.5, upper)
    return linear


def _span(code_range: str) -> tuple[float, float]:
    return (16.0, 219.0) if code_range == "narrow" else (0.0, 255.0)


def code_slope(linear: np.ndarray, encoding: str = "sRGB", code_range: str = "full") -> np.ndarray:
    """Code values per unit of linear light, the derivative of :func:`encode`; any shape."""
    linear = np.asarray(linear, float)
    _, span = _span(code_range)
    if encoding == "sRGB":
        toe, join, slope, power = 12.92, JOIN_SRGB, 1.055 / 2.4, 1 / 2.4 - 1
    else:
        toe, join, slope, power = 4.5, JOIN_709, 1.099 * 0.45, -0.55
    out: np.ndarray = span * np.where(linear <= join, toe, slope * np.maximum(linear, join) ** power)
    return out


def recorded(linear: np.ndarray, camera: Camera) -> np.ndarray:
    """Codes (..., 3) of linear light as the camera records it: clipped, not rounded."""
    codes: np.ndarray = np.clip(encode(linear, camera.encoding, camera.code_range), 0, TOP_CODE)
    return codes


def clip_level(camera: Camera) -> float:
    """The linear light from which the recording clips: 1, or a little more where the range leaves headroom."""
    return float(decode(TOP_CODE, camera.encoding, camera.code_range))


def code_noise(linear: np.ndarray, camera: Camera) -> np.ndarray:
    """Standard deviation of recorded codes (..., 3) at linear light (..., 3); none where the recording clips.

    Read noise and the shot noise of the light, ``read^2 + shot^2 linear`` in linear light (EMVA Standard 1288, linear
    model, from memory), carried over by the slope of the encoding. Channels are taken as independent.
    """
    linear = np.maximum(np.asarray(linear, float), 0)
    sigma = np.sqrt(camera.read_noise**2 + camera.shot_noise**2 * linear)
    slope = code_slope(linear, camera.encoding, camera.code_range)
    out: np.ndarray = np.where(linear < clip_level(camera), sigma * slope, 0.0)
    return out


def code_step(camera: Camera) -> float:
    """Rounding step of the recording, in codes of the eight-bit scale."""
    return float(2.0 ** (8 - camera.bits))


def channel_weights(channel: str) -> np.ndarray:
    """(3,) what a tracker's channel takes of red, green and blue."""
    return LUMA if channel == "luma" else np.eye(3)[CHANNELS.index(channel) - 1]


def edge_signal(
    paint: np.ndarray, around: np.ndarray, camera: Camera, channel: str = "luma"
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """What a tracker that looks at one channel gets of the edge between two paints.

    paint, around : (..., 3) linear light, exposure included
    returns contrast : (...) code values; noise : (...) standard deviation, code values, the mean of both sides;
            stops : (...) between the two in linear light of that channel, clipped as recorded

    Where colour is recorded coarsely (4:2:2, 4:2:0) an edge of one primary is the sum of a sharp step in luma and a
    softened one in colour; its contrast is that of the equally sharp edge with the same squared gradient.
    """
    weights = channel_weights(channel)
    step = recorded(paint, camera) - recorded(around, camera)
    contrast = step @ weights
    if channel != "luma" and (more := CHROMA_BLUR_PX2[camera.sampling]):
        contrast = _softened(step @ LUMA, contrast - step @ LUMA, more)
    variance = (np.square(code_noise(paint, camera)) + np.square(code_noise(around, camera))) / 2
    noise: np.ndarray = np.sqrt(variance @ np.square(weights))
    top = clip_level(camera)
    one, other = (np.clip(linear, 0, top) @ weights + DARK for linear in (paint, around))
    return np.abs(contrast), noise, np.abs(np.log2(one / other))


def _softened(sharp: np.ndarray, soft: np.ndarray, more_px2: float) -> np.ndarray:
    """Contrast of two steps at one place, blurred by s and t: the gradients' squares integrate to
    C^2 / (2 s sqrt(pi)) each, their product to C D / sqrt(2 pi (s^2 + t^2))."""
    s = PIXEL_BLUR.value
    t = math.sqrt(s * s + more_px2)
    both = 2 * math.sqrt(2) * s / math.hypot(s, t)
    worth: np.ndarray = np.sqrt(np.maximum(sharp * sharp + soft * soft * s / t + sharp * soft * both, 0))
    return worth


# --- the light -------------------------------------------------------------------------------------------------


def exposure_gain(camera: Camera, shot: Shot) -> float:
    """Recorded light of a shot over that of its camera's base exposure, from its light, stop and exposure time."""
    stop = camera.stop if shot.stop is None else shot.stop
    base_s = camera_exposure_s(camera, shot)
    time_s = base_s if shot.exposure is None else shot.exposure
    # A package whose own shutter never opens stands for a picture without motion blur, not for darkness.
    return shot.light * (camera.stop / stop) ** 2 * (time_s / base_s if base_s > 0 else 1.0)


def light_stops(stop: float, exposure_s: float, base_stop: float, base_exposure_s: float) -> float:
    """Stops of light that a stop and exposure time want over those of another; infinite for a shut shutter.

    ``2 log2(N / N0) + log2(t0 / t)``.

    >>> round(light_stops(5.6, 1 / 100, 2.8, 1 / 48), 2)
    3.06
    """
    if exposure_s <= 0 or base_exposure_s <= 0:
        return 0.0 if exposure_s == base_exposure_s and stop == base_stop else math.inf
    return 2 * math.log2(stop / base_stop) + math.log2(base_exposure_s / exposure_s)


def key_direction(light: Light) -> np.ndarray:
    """(3,) unit vector towards the key light."""
    level = math.cos(light.elevation)
    across, up = -math.sin(light.azimuth) * level, math.sin(light.elevation)
    return np.array([across, math.cos(light.azimuth) * level, up])


def without_key(normal: np.ndarray, light: Light) -> np.ndarray:
    """(...) what is left of the light where the key is blocked, for unit normals (..., 3).

    The key falls on a surface with the cosine of its angle. What faces every way (normal zero) is taken to face it.
    """
    cosine = np.where(normal.any(axis=-1), np.maximum(normal @ key_direction(light), 0), 1.0)
    even, key = 1 - light.share, light.share * cosine
    left: np.ndarray = np.where(key > 0, even / np.maximum(even + key, DARK), 1.0)
    return left


def outlined_shadow(shadows: Sequence[Shadow], surfaces: Sequence[Surface], features: Features) -> np.ndarray:
    """(N,) what the plan's shadows leave of the light at each feature; where several overlap, their product."""
    left = np.ones(len(features))
    row_of = {surface.name: row for row, surface in enumerate(surfaces)}
    for shadow in shadows:
        mine = np.flatnonzero(features.surface == row_of.get(shadow.surface, -2))
        uv = to_surface(surfaces[row_of[shadow.surface]], features.position_m[mine]) if len(mine) else np.empty((0, 2))
        left[mine[polygons.contains(np.array(shadow.outline), uv)]] *= shadow.factor
    return left


def key_blocked(
    occluders: Sequence[Occluder], frame: np.ndarray, point_m: np.ndarray, towards: np.ndarray
) -> np.ndarray:
    """(R,) bool: something stands between a point and the key light. Shadows have hard edges.

    frame : (R,) int frame rows; point_m : (R, 3); towards : (3,) unit
    """
    blocked = np.zeros(len(frame), bool)
    for occluder in occluders:
        to = occluder.centre_m[frame] - point_m
        along = to @ towards
        beside2 = np.einsum("ri,ri->r", to, to) - along * along
        near = np.flatnonzero(~blocked & (along > -occluder.radius_m) & (beside2 <= occluder.radius_m**2 * (1 + 1e-9)))
        point = point_m[near]
        eye = point + (along[near] + 2 * occluder.radius_m)[:, None] * towards
        blocked[near] = occluder.hides(frame[near], eye, point, np.zeros(len(near)))
    return blocked


# --- both, for a whole shot ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Looks:
    """How N features look to the camera of one shot. Row 0 in full light, row 1 where the key light is blocked."""

    contrast: np.ndarray  # (K, N) code values of the tracker's channel
    noise: np.ndarray  # (K, N) standard deviation, code values
    stops: np.ndarray  # (K, N) in linear light
    pole: np.ndarray  # (K, N) bands: the bare pole against what stands behind it, code values; else 0
    beside: np.ndarray  # (K, N) bands: the band itself against what stands behind it, code values; else 0
    half_stop: float  # code values of half a stop below the stage's own screen at base exposure
    toward_key: np.ndarray | None  # (3,) towards the key light, where there is one: K = 2
    code_step: float  # rounding of the recording


def looks_of(plan: Plan, shot: Shot, layout: Layout, channel: str = "luma") -> Looks:
    """The looks of a layout's features: markers against their screen, bands against their pole, gear against the stage.

    What stands behind stands and gear moves as the camera does; the stage's own paint at light level 1 is taken for it.
    """
    camera = next(camera for camera in plan.cameras if camera.name == shot.camera)
    gain, light, features = exposure_gain(camera, shot), plan.stage.key_light, layout.features
    paint, around = _paints(plan, layout)
    lit = gain * light_levels(plan, layout)
    stage = linear_named(plan, plan.stage.paint)
    screen = np.broadcast_to(stage * gain, (*lit.shape, 3))
    one, other = paint * lit[..., None], around * lit[..., None]
    is_band = features.kind == BAND
    contrast, noise, stops = edge_signal(one, other, camera, channel)
    beside, pole = (edge_signal(side, screen, camera, channel)[0] * is_band for side in (one, other))
    half_stop, _, _ = edge_signal(stage / math.sqrt(2), stage, camera, channel)
    towards = None if light is None else key_direction(light)
    return Looks(contrast, noise, stops, pole, beside, float(half_stop), towards, code_step(camera))


def light_levels(plan: Plan, layout: Layout) -> np.ndarray:
    """(K, N) light at each feature, 1 = base exposure: as lit, and where there is a key light also without it."""
    features, light = layout.features, plan.stage.key_light
    level = np.array([*(surface.light for surface in layout.surfaces), 1.0])[features.surface]
    level = level * outlined_shadow(plan.stage.shadows, layout.surfaces, features)
    lit: np.ndarray = np.stack([level] if light is None else [level, level * without_key(features.normal, light)])
    return lit


def _paints(plan: Plan, layout: Layout) -> tuple[np.ndarray, np.ndarray]:
    """(N, 3) reflectance of every feature, and of what it is seen against."""
    features, black = layout.features, np.full(3, POLE.value)
    sets = [linear_named(plan, group.paint) for group in plan.markers]
    own = [sets[row] for row in layout.markers.set_index]
    own += [linear_named(plan, stand.paint) for stand in plan.stands]
    own += [linear_named(plan, piece.paint) for piece in plan.gear]
    screens = [linear_named(plan, surface.paint) for surface in layout.surfaces]
    poles = [linear_named(plan, stand.pole_paint) if stand.pole_paint else black for stand in plan.stands]
    stage = linear_named(plan, plan.stage.paint)
    behind = [stage] * len(layout.markers.name) + poles + [stage] * len(plan.gear)
    paint = np.array(own).reshape(-1, 3)[features.owner]
    around = np.array(behind).reshape(-1, 3)[features.owner]
    on = features.surface >= 0
    around[on] = np.array(screens).reshape(-1, 3)[features.surface[on]]
    return paint, around


def rings_of(features: Features) -> tuple[np.ndarray, ...]:
    """Markers by their number of corners: (M, K) columns of ``features``, each marker's corners in order."""
    corner = np.flatnonzero(features.kind == CORNER)
    _, first, count = np.unique(features.owner[corner], return_index=True, return_counts=True)
    return tuple(corner[first[count == k]][:, None] + np.arange(k) for k in np.unique(count))
