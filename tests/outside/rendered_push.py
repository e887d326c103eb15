"""A push rendered by Cycles, tracked by OpenCV, solved by the engine, against what the engine foresaw.

    PYTHONPATH=engine:addon:tests/support python tests/outside/rendered_push.py --pictures FOLDER [--takes 3]

Needs bpy and OpenCV. Builds data/rendered_push.toml in Blender with and without its stands, renders every frame (path
traced pixels, the renderer's own lens, shutter and pixel filter; paints glow evenly, so that no light is sampled),
adds the plan's sensor noise, rounds to 8 bits, and tracks the plan's features in two styles: from frame to frame, and
back to the first frame of each track, its pattern warped by what the other corners of the same marker (the other bands
of the same stand) say. Pictures that FOLDER already has are not rendered again. Tracks go to data/rendered_push.npz,
which tests/outside/test_rendered_push.py replays; the table is printed.
"""

import argparse
import sys
import tempfile
from pathlib import Path

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))
from rendered_tracks import SCENES, STYLES, compare, packed, plan_of, rehearsed

DATA = Path(__file__).parent / "data"
PLAN, TRACKS = DATA / "rendered_push.toml", DATA / "rendered_push.npz"
SAMPLES = 24
LUMA = np.array([0.2126, 0.7152, 0.0722])  # ITU-R BT.709 (from memory)
PATCH = 48  # half the side of the picture part in which a warped pattern is looked for
STOP = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 50, 1e-3)
BACK_PX = 0.5  # a match that does not lead back to where it came from ends its track


# --- pictures --------------------------------------------------------------------------------------------------


def render(plan, folder):
    """Every frame's linear light as FOLDER/FRAME.exr."""
    import bpy  # first: it brings the next one
    import addon_utils  # isort: skip
    from scatterproof_addon.bridge import tags
    from scatterproof_addon.bridge.cameras import show_gate
    from scatterproof_addon.bridge.materials import principled, shown_colour
    from scatterproof_addon.bridge.scene import build_scene, timeline

    bpy.ops.wm.read_factory_settings(use_empty=True)
    addon_utils.enable("cycles")
    scene, (shot,) = bpy.context.scene, plan.shots
    build_scene(scene, plan, PLAN.parent)
    for material in bpy.data.materials:
        colour, shader = shown_colour(material), principled(material)
        shader.inputs["Emission Color"].default_value = (*colour, 1)
        shader.inputs["Emission Strength"].default_value = 1
        shader.inputs["Base Color"].default_value = (0, 0, 0, 1)
    show_gate(scene, plan.cameras[0])
    scene.camera = next(iter(tags.tagged(scene, "shot")))
    settings, cycles = scene.render, scene.cycles
    settings.engine, cycles.device, cycles.samples, cycles.max_bounces = "CYCLES", "CPU", SAMPLES, 0
    cycles.use_denoising = cycles.use_adaptive_sampling = False
    cycles.use_animated_seed = True
    settings.use_motion_blur, settings.motion_blur_shutter = True, np.degrees(plan.cameras[0].shutter) / 360
    settings.image_settings.file_format, settings.image_settings.color_depth = "OPEN_EXR", "16"
    offset = timeline(plan)[shot.name]
    folder.mkdir(parents=True, exist_ok=True)
    for frame in range(shot.frames[0], shot.frames[1] + 1):
        path = folder / f"{frame:04}.exr"
        if not path.exists():
            scene.frame_set(frame + offset)
            settings.filepath = str(path)
            bpy.ops.render.render(write_still=True)


def light_of(path):
    """(high, wide, 3) linear light of a picture."""
    import bpy

    image = bpy.data.images.load(str(path))
    image.colorspace_settings.name = "Non-Color"
    pixels = np.empty(len(image.pixels), np.float32)
    image.pixels.foreach_get(pixels)
    wide, high = image.size
    bpy.data.images.remove(image)
    return pixels.reshape(high, wide, -1)[::-1, :, :3]


def recorded(light, camera, rng):
    """(high, wide) uint8 what a tracker looks at: luma of 8-bit codes with the camera's noise (EMVA 1288's model)."""
    sigma = np.sqrt(camera.read_noise**2 + camera.shot_noise**2 * np.maximum(light, 0))
    linear = np.clip(light + sigma * rng.standard_normal(light.shape), 0, 1)
    codes = 255 * np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * np.maximum(linear, 1e-9) ** (1 / 2.4) - 0.055)
    return np.clip(np.rint(np.rint(codes) @ LUMA), 0, 255).astype(np.uint8)


# --- tracking --------------------------------------------------------------------------------------------------


def match(first, second, at, guess, window):
    """Where the points ``at`` (n, 2) of one picture are in another, nan where lost or not led back."""
    if not len(at):
        return np.empty((0, 2))
    options = {"winSize": (window, window), "maxLevel": 1, "criteria": STOP, "flags": cv2.OPTFLOW_USE_INITIAL_FLOW}
    here, there = (np.asarray(v, np.float32)[:, None] for v in (at, guess))
    end, found, _ = cv2.calcOpticalFlowPyrLK(first, second, here, there.copy(), **options)
    back, again, _ = cv2.calcOpticalFlowPyrLK(second, first, end, here.copy(), **options)
    held = (found & again)[:, 0].astype(bool) & (np.linalg.norm((back - here)[:, 0], axis=1) < BACK_PX)
    return np.where(held[:, None], end[:, 0].astype(float), np.nan)


def frame_to_frame(pictures, seen, start_px, window):
    """(F, T, 2) tracks; each begins at ``start_px`` (F, T, 2) in its first frame."""
    out = np.full((*seen.shape, 2), np.nan)
    fresh = seen & ~np.vstack([np.zeros_like(seen[:1]), seen[:-1]])
    out[fresh] = start_px[fresh]
    for f in range(1, len(pictures)):
        go = np.flatnonzero(np.isfinite(out[f - 1, :, 0]) & seen[f] & ~fresh[f])
        out[f, go] = match(pictures[f - 1], pictures[f], out[f - 1, go], out[f - 1, go], window)
    return out


def back_to_reference(pictures, rough, owner, window):
    """(F, T, 2) the same tracks, each frame matched anew to the track's first one with the pattern warped."""
    out = np.full_like(rough, np.nan)
    there = np.isfinite(rough[..., 0])
    first = there.argmax(axis=0)
    for t in np.flatnonzero(there.any(axis=0)):
        reference = pictures[first[t]]
        out[first[t], t] = rough[first[t], t]
        friends = np.flatnonzero(owner == owner[t])
        for f in np.flatnonzero(there[:, t]):
            both = friends[there[f, friends] & there[first[t], friends]]
            if f == first[t] or len(both) < 2:
                continue
            turn = warp_between(rough[first[t], both], rough[f, both])
            corner = np.floor(rough[f, t]).astype(int) - PATCH  # of the part that is compared
            middle = rough[f, t] - corner
            warp = np.column_stack([turn, middle - turn @ rough[first[t], t]])
            size = (2 * PATCH, 2 * PATCH)
            pattern = cv2.warpAffine(reference, warp, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
            part = cv2.warpAffine(pictures[f], np.column_stack([np.eye(2), -corner.astype(float)]), size,
                                  flags=cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE)  # fmt: skip
            out[f, t] = match(pattern, part, middle[None], middle[None], window)[0] + corner
    return out


def warp_between(before, after):
    """(2, 2) how a pattern is turned and stretched from its points ``before`` (n, 2) to ``after``."""
    a, b = before - before.mean(axis=0), after - after.mean(axis=0)
    if len(a) >= 4 and np.linalg.svd(a, compute_uv=False)[1] > 4:
        return np.linalg.lstsq(a, b, rcond=None)[0].T
    scale = (a * b).sum() / (a * a).sum()  # a turn of a few degrees and a stretch
    turn = (a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum() / (a * a).sum()
    return np.array([[scale, -turn], [turn, scale]])


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--pictures", type=Path, required=True, help="folder for the rendered frames")
    parser.add_argument("--takes", type=int, default=3, help="times that noise is added and the pictures tracked")
    parser.add_argument("--only-render", action="store_true")
    options = parser.parse_args()
    cv2.setNumThreads(1)
    kept = {}
    for scene in SCENES:
        plan, folder = plan_of(PLAN, scene), options.pictures / scene.replace(" ", "-")
        render(plan, folder)
        if options.only_render:
            continue
        light = [light_of(path) for path in sorted(folder.glob("*.exr"))]
        rehearsal = rehearsed(PLAN, scene)
        network, window = rehearsal.network, int(rehearsal.criteria.window)
        owner = rehearsal.layout.features.owner[network.feature]
        for take in range(options.takes):
            rng = np.random.default_rng([7, take])
            pictures = [recorded(picture, plan.cameras[0], rng) for picture in light]
            there = network.uv_px + network.errors.offset_px  # a person puts a track on the middle of what is seen
            rough = frame_to_frame(pictures, network.seen, there, window)
            fine = back_to_reference(pictures, rough, owner, window)
            for style, tracks in zip(STYLES, (fine, rough), strict=True):
                kept |= {f"{scene}/{style}/{take}/{key}": value for key, value in packed(tracks).items()}
                off = (tracks - there)[np.isfinite(tracks[..., 0])]
                print(f"{scene}, {style}, take {take}: {len(off)} of {network.seen.sum()} sightings, median error "
                      f"{np.median(np.linalg.norm(off, axis=1)):.3f} px", flush=True)  # fmt: skip
    if kept:
        np.savez_compressed(TRACKS, **kept)
        table()


def table():
    """Measured against predicted, from the kept tracks."""
    from test_rendered_push import recordings  # beside this file

    for scene in SCENES:
        for style in STYLES:
            with tempfile.TemporaryDirectory() as folder:
                found = compare(rehearsed(PLAN, scene, style), recordings(scene, style), Path(folder))
            for what, measured, predicted in zip(("drift px", "jitter px", "camera m"), found.measured,
                                                 found.predicted, strict=True):  # fmt: skip
                print(f"{scene}, {style}: {what} {measured:.5f}, predicted {predicted:.5f}: {measured / predicted:.2f}")


if __name__ == "__main__":
    main()
