"""What the Rig kit panel's buttons do: make the kit of what the scene shows, look at its sheets, write it."""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Generator, Iterator
from pathlib import Path
from typing import Any

import bpy
import bpy.utils.previews
import numpy as np
from scatterproof.kit.build import Kit, KitOptions, kit_steps, save_kit
from scatterproof.kit.picture import page_pixels
from scatterproof.kit.sheets import rounding_line
from scatterproof.problems import one_problem
from scatterproof.readiness.rehearse import Progress

from ..bridge import occluders
from ..bridge.folders import plan_folder
from ..bridge.scene import read_scene
from ..bridge.stubs import held
from .staging import Look

PREVIEW_PX = 640  # the longer side of a sheet in the sidebar
CLOSE_PER_MM = 150 / 25.4  # pixels to a millimetre of a sheet looked at closely
SHEET = "Rig kit sheet"  # the image of that


@dataclasses.dataclass(frozen=True, slots=True)
class Section:
    """Sheets of one title that follow each other; counted from 0."""

    title: str
    first: int
    count: int


@dataclasses.dataclass(slots=True, eq=False)
class Made:
    """A kit, what it was made of, and the sheet that is shown."""

    kit: Kit
    name: str  # of the plan
    options: KitOptions
    digest: str
    rounding: str  # what the tape's rounding does to readiness, in words
    shown: int = 0

    @property
    def sections(self) -> list[Section]:
        """The kit's contents."""
        groups = itertools.groupby(range(len(self.kit.pages)), lambda row: self.kit.pages[row].title)
        runs = ((title, list(rows)) for title, rows in groups)
        return [Section(title, rows[0], len(rows)) for title, rows in runs]


class Kits:
    """Kits by scene, and the pictures of their sheets that have been looked at; nothing of it is saved."""

    def __init__(self) -> None:
        self.kept: dict[int, Made] = {}
        self.pictures: Any = None

    def of(self, scene: bpy.types.Scene) -> Made | None:
        """The scene's kit."""
        return self.kept.get(scene.session_uid)

    def keep(self, scene: bpy.types.Scene, made: Made) -> None:
        """Keep a new kit and show its first sheet."""
        self.kept[scene.session_uid] = made
        if self.pictures is not None:
            self.pictures.clear()
        self.show(scene, 0)

    def show(self, scene: bpy.types.Scene, sheet: int) -> None:
        """Turn to a sheet and draw it."""
        made = self.kept[scene.session_uid]
        made.shown = min(max(sheet, 0), len(made.kit.pages) - 1)
        key = self._key(scene, made)
        if self.pictures is None:
            self.pictures = bpy.utils.previews.new()
        if key not in self.pictures:
            preview: Any = self.pictures.new(key)
            preview.image_size = (PREVIEW_PX, PREVIEW_PX)
            preview.image_pixels_float = on_a_square(made).ravel().tolist()

    def icon(self, scene: bpy.types.Scene) -> int:
        """The number of the shown sheet's picture, for a layout; 0 where there is none."""
        made = self.of(scene)
        key = self._key(scene, made) if made else ""
        return int(self.pictures[key].icon_id) if self.pictures is not None and key in self.pictures else 0

    @staticmethod
    def _key(scene: bpy.types.Scene, made: Made) -> str:
        return f"{scene.session_uid} {made.shown}"

    def forget(self) -> None:
        """Drop everything; Blender frees the pictures with their collection."""
        self.kept.clear()
        if self.pictures is not None:
            bpy.utils.previews.remove(self.pictures)
            self.pictures = None


KITS = Kits()


def on_a_square(made: Made) -> np.ndarray:
    """(PREVIEW_PX, PREVIEW_PX, 4) the shown sheet with nothing round it, rows from below."""
    page = made.kit.pages[made.shown]
    pixels = page_pixels(page, PREVIEW_PX / max(page.width, page.height))
    square = np.zeros((PREVIEW_PX, PREVIEW_PX, 4))
    top, left = (PREVIEW_PX - np.array(pixels.shape[:2])) // 2
    square[top : top + pixels.shape[0], left : left + pixels.shape[1]] = np.pad(
        pixels, ((0, 0), (0, 0), (0, 1)), constant_values=1.0
    )
    return square[::-1]


def make(scene: bpy.types.Scene, options: KitOptions) -> Generator[Progress, None, Made]:
    """Make the kit of what the scene shows and keep it, unless it is there already.

    Raises BadInput where there is nothing to build.
    """
    read = read_scene(scene)
    if not read.plan.markers and not read.plan.stands:
        raise one_problem("stage", "neither markers nor stands", "something that a crew can set out")
    solids = yield from occluders.capture(scene, read.blockers, read.gear, read.scene_frames(read.plan.shots))
    seen = Look(read, solids, plan_folder(scene))
    last = KITS.of(scene)
    if last is not None and last.options == options and last.digest == seen.digest:
        return last
    kit = yield from kit_steps(seen.plan, seen.folder, options, seen.hiders)
    rounding = rounding_line(kit.needs, kit.table, options.units or seen.plan.units)
    made = Made(kit, seen.plan.name, options, seen.digest, rounding)
    KITS.keep(scene, made)
    return made


def preview(scene: bpy.types.Scene, options: KitOptions) -> Iterator[Progress]:
    """Make the kit, write nothing."""
    yield from make(scene, options)


def write(scene: bpy.types.Scene, options: KitOptions, folder: Path) -> Iterator[Progress]:
    """Make the kit where it is not of this very scene, and write it."""
    made = yield from make(scene, options)
    save_kit(made.kit, made.name, folder)


def sheet_image(scene: bpy.types.Scene) -> bpy.types.Image:
    """The shown sheet as an image that can be read."""
    made = KITS.of(scene)
    if made is None:
        raise one_problem("rig kit", "none made yet", "a preview of its sheets")
    pixels = page_pixels(made.kit.pages[made.shown], CLOSE_PER_MM)[::-1]
    height, width = pixels.shape[:2]
    image: bpy.types.Image | None = bpy.data.images.get(SHEET)
    if image is None:
        image = bpy.data.images.new(SHEET, width, height)
    elif tuple(held(image, "size")) != (width, height):
        image.scale(width, height)
    flat = np.pad(pixels, ((0, 0), (0, 0), (0, 1)), constant_values=1.0).astype(np.float32).ravel()
    held(image, "pixels").foreach_set(flat)
    image.update()
    return image
