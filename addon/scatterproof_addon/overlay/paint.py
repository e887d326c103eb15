"""Drawing with Blender's gpu module: one draw call for all rings, one for a strip, a few for the words."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import blf
import bpy
import gpu
import numpy as np
from bpy_extras.view3d_utils import location_3d_to_region_2d
from gpu_extras.batch import batch_for_shader
from mathutils import Matrix
from scatterproof.advise.heat import HeatMap
from scatterproof.plan.paint import srgb_to_linear
from scatterproof.readiness.verdict import FIRM, LOST, THIN

from ..bridge.glyphs import glyph
from ..bridge.stubs import held
from ..preferences import LARGER, PLAIN, SEEN_FAINT, STRONG, strong_contrast
from .live import LIVES, Live, View
from .picture import COLOURS, STALE, Note, heat_quads, strip_bars, wrapped

INK = (0.035, 0.035, 0.045, 0.86)
PAPER = (0.93, 0.93, 0.93, 1.0)
DIM = (0.72, 0.72, 0.72, 1.0)
LEAST_PX = 5.0  # radius of a ring at an interface scale of 1; the shader lets it grow to 3.2 times that
LIFT = 3.0  # towards the eye, in radii: a wall seen at more than 18 degrees does not cut its rings
FAR = 1000  # frames: far enough to tell the scale of a timeline from whole pixels
STRIP_PX, WIDEST_NOTE_PX = 9, 560

VERTEX = """
void main()
{
  vec4 at = view_projection * vec4(centre, 1.0);
  float px_per_m = sizes.z / max(at.w, 1e-6);
  radius_px = clamp(look.z * px_per_m, sizes.w, sizes.w * 3.2);
  /* As deep as a point in front of it: a ring must not be cut by the wall that it belongs to. */
  vec3 toward = normalize(eye.xyz - centre);
  vec4 front = view_projection * vec4(centre + toward * eye.w * radius_px / px_per_m, 1.0);
  at.z = front.z / front.w * at.w;
  place_px = corner * (radius_px + 2.0);
  at.xy += place_px * 2.0 / sizes.xy * at.w;
  state = look.x;
  opacity = look.y;
  gl_Position = at;
}
"""
# Distances in pixels to the edge of each glyph: a ring, thick where it is filled, and the bar through a lost one.
FRAGMENT = """
void main()
{
  float away = length(place_px);
  float fine = max(1.3, 0.14 * radius_px);
  float full = max(2.6, 0.36 * radius_px);
  bool thick = state < 0.5 || (state < 1.5 && place_px.y > 0.0);
  float width = thick ? full : fine;
  float edge = max(away - radius_px, radius_px - width - away);
  if (state > 1.5) {
    float bar = max(abs(place_px.x - place_px.y) * 0.70711 - 0.5 * fine - 0.25, away - radius_px + 0.5);
    edge = min(edge, bar);
  }
  float cover = clamp(0.5 - edge, 0.0, 1.0);
  float halo = clamp(1.7 - edge, 0.0, 1.0) * 0.55;
  vec3 tone = state < 0.5 ? firm.rgb : (state < 1.5 ? thin.rgb : lost.rgb);
  float alpha = max(cover, halo) * opacity;
  if (alpha < 0.01) {
    discard;
  }
  colour = vec4(mix(vec3(0.003), tone, cover), alpha);
}
"""


@dataclass
class Held:
    """Shaders, batches and times: made in the window that draws, dropped when the extension goes."""

    rings: Any = None
    broken: dict[str, str] = field(default_factory=dict)  # draw handlers that failed, and how
    batches: dict[str, tuple[object, Any]] = field(default_factory=dict)
    batch_s: list[float] = field(default_factory=list)  # what building batches took, the last ones
    submit_s: list[float] = field(default_factory=list)  # what a whole call of a draw handler took

    def batch(self, name: str, key: object, make: Any) -> Any:
        """A batch, built anew where what it shows has changed."""
        if name not in self.batches or self.batches[name][0] != key:
            started = time.perf_counter()
            self.batches[name] = key, make()
            self.batch_s = [*self.batch_s[-199:], time.perf_counter() - started]
        return self.batches[name][1]

    def forget(self) -> None:
        """Drop everything."""
        self.rings = None
        self.broken.clear()
        self.batches.clear()


HELD = Held()


def ring_shader() -> Any:
    """The shader of all rings, compiled when first asked for."""
    if HELD.rings is None:
        info: Any = gpu.types.GPUShaderCreateInfo()
        between: Any = gpu.types.GPUStageInterfaceInfo("scatterproof_ring")
        for kind, name in (("VEC2", "place_px"), ("FLOAT", "radius_px"), ("FLOAT", "state"), ("FLOAT", "opacity")):
            between.smooth(kind, name)
        for kind, name in (("MAT4", "view_projection"), ("VEC4", "eye"), ("VEC4", "sizes")):
            info.push_constant(kind, name)
        for row, (kind, name) in enumerate((("VEC3", "centre"), ("VEC2", "corner"), ("VEC3", "look"))):
            info.vertex_in(row, kind, name)
        info.vertex_out(between)
        info.fragment_out(0, "VEC4", "colour")
        tones = zip(("firm", "thin", "lost"), (FIRM, THIN, LOST), strict=True)
        for name, state in tones:  # constants, not uniforms: what may be pushed is scarce
            r, g, b = srgb_to_linear(COLOURS[state])  # the view's framebuffer encodes what is written to it
            info.define(name, f"vec4({r:.6f}, {g:.6f}, {b:.6f}, 1.0)")
        info.vertex_source(VERTEX)
        info.fragment_source(FRAGMENT)
        HELD.rings = gpu.shader.create_from_info(info)
    return HELD.rings


def careful(draw: Callable[[], None]) -> Callable[[], None]:
    """A draw handler that, should it ever fail (a driver that knows a shader otherwise), says so once and rests."""

    def drawn() -> None:
        if draw.__name__ in HELD.broken:
            return
        try:
            draw()
        except Exception as error:
            HELD.broken[draw.__name__] = f"{type(error).__name__}: {error}".splitlines()[0]
            gpu.state.blend_set("NONE")
            gpu.state.depth_test_set("NONE")

    return drawn


def _shown() -> tuple[Live, View] | None:
    """The memory and the view of the scene in this window, where they are to be shown."""
    live = LIVES.of(bpy.context.scene)
    return (live, live.view) if live and live.view else None


def _wanted() -> bool:
    space: Any = bpy.context.space_data
    return bool(space.overlay.show_overlays)


def draw_rings() -> None:
    """All rings of the frame in view, in space: called before the overlay of the 3D view is finished."""
    shown = _shown()
    if not shown or not _wanted():
        return
    started = time.perf_counter()
    live, view = shown
    if view.heat is not None:
        _heat(view.heat)
    if not view.rings or not len(view.rings.state):
        return
    rings, shader, strong = view.rings, ring_shader(), strong_contrast()

    def make() -> Any:
        table, triangles = rings.quads(SEEN_FAINT[STRONG if strong else PLAIN])
        vertices: Any = gpu.types.GPUVertBuf(shader.format_calc(), len(table["centre"]))
        for name, values in table.items():
            vertices.attr_fill(name, np.ascontiguousarray(values, np.float32))
        corners: Any = np.ascontiguousarray(triangles, np.int32)
        order = gpu.types.GPUIndexBuf(type="TRIS", seq=corners)
        batch = gpu.types.GPUBatch(type="TRIS", buf=vertices, elem=order)
        batch.program_set(shader)
        return batch

    batch = HELD.batch("rings", (id(live), live.version, strong), make)
    region, region_3d, scene = bpy.context.region, held(bpy.context, "region_data"), bpy.context.scene
    unit = scene.unit_settings.scale_length or 1.0
    scale = bpy.context.preferences.system.ui_scale
    through = region_3d.view_perspective == "CAMERA"
    eye = np.array(region_3d.view_matrix.inverted(), float)
    where = eye[:3, 3] if region_3d.is_perspective else eye[:3, 3] + 1e4 * eye[:3, 2]
    matrix = np.array(region_3d.perspective_matrix, float)
    matrix[:, :3] /= unit  # the rings are in metres
    px_per_m = 0.5 * region.height * region_3d.window_matrix[1][1] / unit
    shader.bind()
    shader.uniform_float("view_projection", Matrix(matrix.tolist()))
    shader.uniform_float("eye", (*(where * unit), LIFT))
    shader.uniform_float("sizes", (region.width, region.height, px_per_m, LEAST_PX * scale * (LARGER if strong else 1)))
    gpu.state.blend_set("ALPHA")
    gpu.state.depth_test_set("NONE" if through else "LESS_EQUAL")
    gpu.state.depth_mask_set(False)
    batch.draw(shader)
    gpu.state.depth_test_set("NONE")
    gpu.state.blend_set("NONE")
    HELD.submit_s = [*HELD.submit_s[-199:], time.perf_counter() - started]


def _heat(heat: HeatMap) -> None:
    """Squares on the floor, behind whatever stands before them."""
    shader = gpu.shader.from_builtin("FLAT_COLOR")
    unit = bpy.context.scene.unit_settings.scale_length or 1.0

    def make() -> Any:
        points, colour = heat_quads(heat.place_m, heat.cell_m, heat.help)
        place: Any = points / np.float32(unit)
        tone: Any = colour
        return batch_for_shader(shader, "TRIS", {"pos": place, "color": tone})

    batch = HELD.batch("heat", (id(heat), unit), make)
    gpu.state.blend_set("ALPHA")
    gpu.state.depth_test_set("LESS_EQUAL")
    gpu.state.depth_mask_set(False)
    batch.draw(shader)
    gpu.state.depth_test_set("NONE")
    gpu.state.blend_set("NONE")


def free_box(area: bpy.types.Area, region: bpy.types.Region) -> tuple[float, float, float, float]:
    """Left, bottom, right and top of what no other region of the area covers, in the region's own pixels."""
    left, bottom, right, top = 0, 0, region.width, region.height
    for other in area.regions:
        if other.type in ("WINDOW", "XR") or other.width < 2 or other.height < 2:
            continue
        x, y = other.x - region.x, other.y - region.y
        if x >= region.width or y >= region.height or x + other.width <= 0 or y + other.height <= 0:
            continue  # beside it, not over it
        if other.type == "UI":
            right = min(right, x)
        elif other.type == "TOOLS":
            left = max(left, x + other.width)
        elif other.type in ("HEADER", "TOOL_HEADER", "ASSET_SHELF", "ASSET_SHELF_HEADER"):
            if y > region.height / 2:
                top = min(top, y)
            else:
                bottom = max(bottom, y + other.height)
        elif other.type == "HUD":
            left = max(left, x + other.width)
    return left, bottom, right, top


def draw_words() -> None:
    """The strip along the foot of a 3D view, and above it what holds the frame in view back."""
    shown = _shown()
    context = bpy.context
    space: Any = context.space_data
    if not shown or not _wanted() or held(context, "region_data") != space.region_3d:
        return
    started = time.perf_counter()
    live, view = shown
    scale = context.preferences.system.ui_scale
    left, bottom, right, top = free_box(context.area, context.region)
    _names(view.names, (0.0, bottom, right, top), scale)
    left, right, bottom = left + 12 * scale, right - 12 * scale, bottom + 10 * scale
    if right - left < 120 * scale or top - bottom < 60 * scale:
        return
    gpu.state.blend_set("ALPHA")
    if view.bars:
        first, states = view.bars[view.own]
        step = (right - left) / len(states)
        tall = STRIP_PX * scale
        _fill(left - 3 * scale, bottom - 3 * scale, right + 3 * scale, bottom + tall + 3 * scale, INK)
        _strip("strip", live, view.bars[view.own : view.own + 1], left - first * step, step, bottom, tall)
        x = left + (context.scene.frame_current + 0.5 - first) * step
        _fill(x - scale, bottom - 5 * scale, x + scale, bottom + tall + 5 * scale, PAPER)
        bottom += tall + 12 * scale
    _note(view.note, left, bottom, min(right - left, WIDEST_NOTE_PX * scale), scale)
    gpu.state.blend_set("NONE")
    HELD.submit_s = [*HELD.submit_s[-199:], time.perf_counter() - started]


def draw_timeline() -> None:
    """The strip along the foot of a timeline, frame under frame."""
    shown = _shown()
    if not shown or not shown[1].bars:
        return
    region, scale = bpy.context.region, bpy.context.preferences.system.ui_scale
    to_region: Any = region.view2d.view_to_region
    zero, far = (float(to_region(frame, 0, clip=False)[0]) for frame in (0, FAR))
    step = (far - zero) / FAR
    gpu.state.blend_set("ALPHA")
    tall = 6 * scale  # above the scroll bar, but below the frame numbers
    low = min(11 * scale, max(1.0, region.height - 30 * scale))
    _fill(0, low - 1.5 * scale, region.width, low + tall + 1.5 * scale, INK)
    live, view = shown
    zero -= step / 2  # a frame's bar stands under the frame's own line
    _strip("strips", live, view.bars, zero, step, low, tall)
    gpu.state.blend_set("NONE")


def _strip(
    name: str,
    live: Live,
    bars: Sequence[tuple[int, np.ndarray]],
    zero: float,
    step: float,
    bottom: float,
    tall: float,
) -> None:
    shader = gpu.shader.from_builtin("FLAT_COLOR")

    def make() -> Any:
        parts = [strip_bars(first, states).triangles() for first, states in bars]
        place: Any = np.concatenate([part[0] for part in parts])
        colour: Any = np.concatenate([part[1] for part in parts])
        return batch_for_shader(shader, "TRIS", {"pos": place, "color": colour})

    states = b"".join(first.to_bytes(8, "little", signed=True) + states.tobytes() for first, states in bars)
    batch = HELD.batch(name, (id(live), states), make)
    _draw_at(batch, shader, (zero, bottom), (step, tall))


def _draw_at(batch: Any, shader: Any, at: tuple[float, float], scale: tuple[float, float]) -> None:
    gpu.matrix.push()
    gpu.matrix.translate(at)
    gpu.matrix.scale(scale)
    batch.draw(shader)
    gpu.matrix.pop()


def _fill(left: float, bottom: float, right: float, top: float, colour: tuple[float, ...]) -> None:
    shader = gpu.shader.from_builtin("UNIFORM_COLOR")
    corners = ((left, bottom), (right, bottom), (right, top), (left, bottom), (right, top), (left, top))
    batch = batch_for_shader(shader, "TRIS", {"pos": corners})
    shader.uniform_float("color", colour)
    batch.draw(shader)


def _note(note: Note, left: float, bottom: float, width: float, scale: float) -> None:
    """A plate with a glyph and a heading, and under it the reasons."""
    size, line, pad = 12 * scale, 18 * scale, 9 * scale
    glyph = 22 * scale
    blf.size(0, size)
    inner = width - glyph - 2 * pad
    rows = [row for text in note.lines for row in wrapped(text, inner, _width)]
    widest = max(_width(text) for text in (note.head, *rows))
    tall = line * (1 + len(rows)) + 2 * pad - 0.3 * line
    _fill(left - 3 * scale, bottom, left + glyph + widest + 2 * pad, bottom + tall, INK)
    top = bottom + tall - pad
    _glyph(note.state, left + 0.5 * glyph, top - 0.38 * line, 7 * scale)
    for row, text in enumerate((note.head, *rows)):
        blf.color(0, *(PAPER if row == 0 else DIM))
        blf.position(0, left + glyph + 0.6 * pad, top - 0.72 * line - row * line, 0)
        blf.draw(0, text)


def _names(names: Sequence[tuple[str, np.ndarray]], box: tuple[float, float, float, float], scale: float) -> None:
    """What must stay in frame, by name above its highest ring; a name that would lie on another goes further up."""
    context = bpy.context
    unit, line, taken = context.scene.unit_settings.scale_length or 1.0, 17 * scale, list[tuple[float, float, float]]()
    gpu.state.blend_set("ALPHA")
    blf.size(0, 12 * scale)
    for name, at_m in sorted(names, key=lambda entry: -float(entry[1][2])):
        place = location_3d_to_region_2d(context.region, held(context, "region_data"), (at_m / unit).tolist())
        if place is None or not (box[0] < place.x < box[2] and box[1] < place.y < box[3]):
            continue
        half, x, y = _width(name) / 2 + 6 * scale, place.x, place.y + 20 * scale
        while any(
            abs(x - other_x) < half + other_half and abs(y - other_y) < line for other_x, other_y, other_half in taken
        ):
            y += line
        taken.append((x, y, half))
        _fill(x - half, y - 5 * scale, x + half, y + 12 * scale, INK)
        _fill(x - half, y - 5 * scale, x - half + 3 * scale, y + 12 * scale, (*COLOURS[FIRM], 1.0))
        blf.color(0, *PAPER)
        blf.position(0, x - half + 7 * scale, y, 0)
        blf.draw(0, name)


def _width(text: str) -> float:
    return float(blf.dimensions(0, text)[0])


def _glyph(state: int, x: float, y: float, radius: float) -> None:
    """The glyph of a state beside words: the same as the rings on the stage; grey and dashed for what is stale."""
    shader = gpu.shader.from_builtin("UNIFORM_COLOR")

    def make() -> Any:
        points, faces = glyph(LOST if state == STALE else state)
        chosen = faces[:24:2] if state == STALE else faces
        triangles = [t for face in chosen for t in ((face[0], face[1], face[2]), (face[0], face[2], face[3]))]
        return batch_for_shader(shader, "TRIS", {"pos": points.tolist()}, indices=np.array(triangles, int).tolist())

    batch = HELD.batch(f"glyph {state}", state, make)
    shader.uniform_float("color", (*COLOURS[state], 1.0))
    _draw_at(batch, shader, (x, y), (radius, radius))
