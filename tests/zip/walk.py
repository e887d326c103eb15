"""One template end to end in a fresh Blender, from the zip alone: python -I -S walk.py PACKAGES ZIP OUT_FOLDER.

PACKAGES is the folder in which bpy is found. Writes facts.json into OUT_FOLDER; the test that started it judges them.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

if __name__ == "__main__":
    sys.path.append(sys.argv[1])
import bpy

MODULE = "bl_ext.user_default.scatterproof"
FACTS: dict[str, object] = {"blender": bpy.app.version_string, "python": sys.version_info[:2]}


def traces() -> dict[str, list[str]]:
    """Everything an extension can leave behind in a running Blender."""
    handlers = {
        name: [f"{f.__module__}.{f.__name__}" for f in getattr(bpy.app.handlers, name)]
        for name in dir(bpy.app.handlers)
        if isinstance(getattr(bpy.app.handlers, name), list)
    }
    return {
        "handlers": sorted(f for found in handlers.values() for f in found if "scatterproof" in f),
        "classes": sorted(n for n in dir(bpy.types) if "scatterproof" in n.lower()),
        "operators": sorted(dir(bpy.ops.scatterproof)),
        "properties": sorted(
            f"{kind}.{name}"
            for kind in ("Scene", "Object", "WindowManager", "Camera", "Mesh")
            for name in map(str, dict(getattr(bpy.types, kind).bl_rna.properties.items()))
            if "scatterproof" in name
        ),
        "icons": ["held" for _ in getattr(sys.modules.get(f"{MODULE}.ui.icons"), "_HELD", ())],
    }


def counts() -> dict[str, int]:
    scene = bpy.context.scene
    return {
        "objects": len(scene.objects),
        "actions": len(bpy.data.actions),
        "meshes": len(bpy.data.meshes),
        "node groups": len(bpy.data.node_groups),
        "images": len([i for i in bpy.data.images if i.type != "RENDER_RESULT"]),
        "pins": len(scene.timeline_markers),
        "words": len([o for o in scene.objects if o.type == "FONT"]),
    }


def done(name: str, **options: object) -> None:
    """Run one operator as a click would, with its undo step; remember what it left."""
    result = getattr(bpy.ops.scatterproof, name)("EXEC_DEFAULT", True, **options)
    FACTS.setdefault("steps", []).append([name, sorted(result), counts()])


def undone_and_redone(name: str) -> None:
    """Undo the last operator and redo it."""
    before = counts()
    bpy.ops.ed.undo()
    undone = counts()
    bpy.ops.ed.redo()
    FACTS.setdefault("undo", {})[name] = [before, undone, counts()]


def main(zip_path: Path, out: Path) -> None:
    """Walk."""
    bpy.ops.wm.read_factory_settings(use_empty=True)
    FACTS["before"] = traces()
    bpy.ops.extensions.package_install_files(filepath=str(zip_path), repo="user_default", enable_on_install=True)
    import scatterproof
    import tomlkit

    FACTS["engine"], FACTS["stamp"], FACTS["tomlkit"] = (
        scatterproof.__file__,
        scatterproof.build_stamp,
        tomlkit.__file__,
    )
    FACTS["extensions"] = bpy.utils.user_resource("EXTENSIONS")
    FACTS["installed"] = traces()

    bpy.ops.ed.undo_push(message="start")
    FACTS["start"] = counts()
    poll = bpy.ops.scatterproof
    FACTS["polls without a plan"] = [
        poll.build_stage.poll(),
        *(getattr(poll, name).poll() for name in ("scatter", "add_stand", "rehearse", "bake", "clear", "clear_bake")),
    ]
    done("build_stage", template="plans/lantern-yard")
    undone_and_redone("build_stage")
    done("scatter", seed=7)
    undone_and_redone("scatter")
    bpy.context.scene.cursor.location = (1.0, 3.0, 0.0)
    done("add_stand")
    undone_and_redone("add_stand")
    done("rehearse")
    done("bake")
    undone_and_redone("bake")
    from bl_ext.user_default.scatterproof.bridge.scene import read_plan
    from bl_ext.user_default.scatterproof.store import STORE

    scene = bpy.context.scene
    FACTS["rehearsed"] = {r.readiness.name: r.readiness.state.tolist() for r in STORE.last(scene)}
    FACTS["stands"] = [stand.name for stand in read_plan(scene).stands]
    scene["kept"] = 1

    path = out / "walk.blend"
    bpy.ops.wm.save_as_mainfile(filepath=str(path), compress=True)
    FACTS["size"], FACTS["saved"] = path.stat().st_size, counts()
    bpy.ops.wm.open_mainfile(filepath=str(path))
    scene = bpy.context.scene
    FACTS["opened"] = counts()
    FACTS["forgotten"] = not STORE.last(scene)
    FACTS["stands after opening"] = [stand.name for stand in read_plan(scene).stands]

    for _ in range(3):
        bpy.ops.preferences.addon_disable(module=MODULE)
        FACTS.setdefault("disabled", []).append(traces())
        FACTS["without"] = counts()
        bpy.ops.preferences.addon_enable(module=MODULE)
        FACTS.setdefault("enabled", []).append(traces())

    bpy.ops.ed.undo_push(message="again")
    done("clear_bake")
    undone_and_redone("clear_bake")
    done("clear")
    undone_and_redone("clear")
    (out / "facts.json").write_text(json.dumps(FACTS), encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[2]), Path(sys.argv[3]))
