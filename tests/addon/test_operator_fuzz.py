"""Hundreds of operator calls, undos, edits and deletions at random: the plan stays one, nothing is left behind.

Every call either succeeds or refuses in words. SCATTERPROOF_FUZZ makes the sequences longer.
"""

import os
import random

import bpy
import pytest
import scatterproof_addon
from scatterproof.plan.read import parse_plan
from scatterproof.plan.write import dump_plan
from scatterproof.problems import BadInput
from scatterproof_addon.bridge import mark, tags
from scatterproof_addon.bridge.scene import has_plan, read_plan

CALLS = int(os.environ.get("SCATTERPROOF_FUZZ", "120"))
KINDS = ("objects", "meshes", "cameras", "curves", "lights", "actions", "collections", "node_groups", "images", "texts")


@pytest.fixture(autouse=True)
def registered(scene):
    scatterproof_addon.register()
    yield
    scatterproof_addon.unregister()


def listeners():
    """Names of our functions in Blender's handler lists."""
    return sorted(
        f"{moment}: {f.__module__}.{f.__qualname__}"
        for moment in dir(bpy.app.handlers)
        if isinstance(getattr(bpy.app.handlers, moment), list)
        for f in getattr(bpy.app.handlers, moment)
        if "scatterproof" in getattr(f, "__module__", "")
    )


def orphans():
    """Data blocks by kind that nobody uses."""
    return {kind: sum(block.users == 0 for block in getattr(bpy.data, kind)) for kind in KINDS}


def blocks():
    """Data blocks by kind."""
    return {kind: len(getattr(bpy.data, kind)) for kind in KINDS}


class Somebody:
    """A person who tries everything, with a seed."""

    def __init__(self, seed, folder):
        self.rng, self.folder, self.done, self.refused = random.Random(seed), folder, 0, []

    def act(self):
        name = self.rng.choice([n for n in dir(self) if n.startswith("do_") for _ in range(self.often(n))])
        try:
            getattr(self, name)()
            bpy.ops.ed.undo_push(message=name)
            self.done += 1
        except RuntimeError as error:  # how Blender tells scripts what an operator reported
            if "Traceback" in str(error):
                raise
            self.refused.append(f"{name}: {error}")

    @staticmethod
    def often(name):
        seldom = {
            "do_rehearse": 1,
            "do_bake": 1,
            "do_build": 2,
            "do_clear": 1,
            "do_drag": 6,
            "do_undo": 6,
            "do_redo": 4,
        }
        return seldom.get(name, 3)

    @property
    def things(self):
        return list(bpy.context.scene.objects)

    def pick(self):
        if not self.things:
            raise RuntimeError("nothing there")
        return self.rng.choice(self.things)

    def select(self):
        thing = self.pick()
        for other in self.things:
            if other.name in bpy.context.view_layer.objects:
                other.select_set(other == thing)
        if thing.name in bpy.context.view_layer.objects:
            bpy.context.view_layer.objects.active = thing
        return thing

    def do_build(self):
        bpy.ops.scatterproof.build_stage(template=self.rng.choice(["plans/lantern-yard", "stages/corner"]))

    def do_scatter(self):
        bpy.ops.scatterproof.scatter(seed=self.rng.randrange(99))

    def do_stand(self):
        bpy.context.scene.cursor.location = [self.rng.uniform(-3, 3), self.rng.uniform(-3, 3), 0]
        bpy.ops.scatterproof.add_stand()

    def do_performer(self):
        bpy.ops.scatterproof.add_performer()

    def do_move(self):
        self.select()
        bpy.ops.scatterproof.add_move(move=self.rng.choice(["push", "arc", "hand-held", "nodal-pan"]))

    def do_mark(self):
        self.select()
        bpy.ops.scatterproof.mark(part=self.rng.choice([part for part, *_ in mark.CHOICES]))

    def do_cube(self):
        bpy.ops.mesh.primitive_cube_add(size=0.5, location=[self.rng.uniform(-2, 2) for _ in "xyz"])

    def do_rehearse(self):
        bpy.ops.scatterproof.rehearse()

    def do_bake(self):
        bpy.ops.scatterproof.bake()

    def do_clear_bake(self):
        bpy.ops.scatterproof.clear_bake()

    def do_clear(self):
        bpy.ops.scatterproof.clear()

    def do_next(self):
        bpy.ops.scatterproof.next_lost(thin=True)

    def do_save(self):
        bpy.ops.scatterproof.save_plan(filepath=str(self.folder / "plan.toml"))

    def do_undo(self):
        bpy.ops.ed.undo()

    def do_redo(self):
        bpy.ops.ed.redo()

    def do_drag(self):
        thing = self.pick()
        thing.location.x += self.rng.uniform(-0.5, 0.5)
        thing.location.y += self.rng.uniform(-0.5, 0.5)

    def do_stretch(self):
        self.pick().scale.z *= self.rng.uniform(0.8, 1.2)

    def do_rename(self):
        self.pick().name = self.rng.choice(["ø", "back wall", "x" * 60, "stand 1", "LY010"])

    def do_edit_markers(self):
        sets = tags.tagged(bpy.context.scene, "markers")
        if sets and len(sets[0].data.vertices):
            sets[0].data.vertices[self.rng.randrange(len(sets[0].data.vertices))].co.x += 0.02

    def do_delete(self):
        thing = self.select()
        data = thing.data
        bpy.data.objects.remove(thing)
        if data is not None and data.users == 0:  # else the person would have left it behind
            bpy.data.batch_remove([data])

    def do_lose_a_collection(self):
        found = list(bpy.context.scene.collection.children)
        if found and self.rng.random() < 0.3:
            bpy.data.collections.remove(self.rng.choice(found))

    def do_duplicate(self):
        self.select()
        bpy.ops.object.duplicate()


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_plan_stays_a_plan_and_nothing_is_left_behind(seed, tmp_path):
    bpy.ops.ed.undo_push(message="start")
    before, somebody, valid = listeners(), Somebody(seed, tmp_path), 0
    somebody.do_build()
    bpy.ops.ed.undo_push(message="built")
    for step in range(CALLS):
        somebody.act()
        if step % 5 or not has_plan(bpy.context.scene):
            continue
        try:
            plan = read_plan(bpy.context.scene)
        except BadInput:  # a scene that makes no plan says why
            continue
        assert parse_plan(dump_plan(plan)).plan == plan
        valid += 1
    assert somebody.done > CALLS / 2, somebody.refused
    assert valid >= CALLS / 20
    assert listeners() == before


def test_rounds_of_work_leave_no_data_behind():
    def a_round():
        for name, options in (
            ("build_stage", {"template": "stages/corner"}), ("scatter", {"seed": 5}), ("add_stand", {}),
            ("add_performer", {}), ("rehearse", {}), ("bake", {}), ("add_move", {"move": "arc"}), ("bake", {}),
            ("clear_bake", {}), ("clear", {}),
        ):  # fmt: skip
            getattr(bpy.ops.scatterproof, name)(**options)
        return blocks(), orphans()

    first = a_round()
    assert [a_round() for _ in range(2)] == [first] * 2
    assert not any(first[1].values()), first[1]


def test_registering_again_and_again_leaves_one_of_each():
    before = listeners()
    for _ in range(3):
        scatterproof_addon.unregister()
        assert listeners() == []
        scatterproof_addon.register()
    assert listeners() == before
    bpy.ops.wm.read_homefile(use_empty=True, use_factory_startup=True)
    assert listeners() == before
