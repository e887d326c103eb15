"""The built zip, installed and used in a fresh Blender home: nothing of the checkout can be found there."""

import dataclasses
import json
import subprocess
import zipfile
from collections.abc import Iterable
from pathlib import Path

import pytest
from extension_zip import altered_files, build_zip, manifest_of, stamp_of, wheels_of, without_checkout
from scatterproof.plan.model import Stand
from scatterproof.plan.read import parse_plan
from scatterproof.plan.templates import example
from scatterproof.readiness.rehearse import rehearse

WALK = Path(__file__).with_name("walk.py")


def packages_without(brought: Iterable[str], python: str, folder: Path) -> None:
    """Link what a Python has installed into ``folder``, but for what the extension brings itself.

    An installed copy would win over the extension's silently; nor may a .pth file lead back to the checkout.
    """
    where = subprocess.run(
        [python, "-c", "import sysconfig; print(sysconfig.get_path('platlib'))"],
        capture_output=True,
        text=True,
        check=True,
    )
    for entry in Path(where.stdout.strip()).iterdir():
        if not entry.name.startswith((*brought, "_")) and entry.suffix != ".pth":
            (folder / entry.name).symlink_to(entry)


@pytest.fixture(scope="session")
def walked(built, bpy_python, tmp_path_factory):
    """What happened on the walk in one Blender."""
    home, out, site = (tmp_path_factory.mktemp(name) for name in ("home", "walk", "site"))
    packages_without(wheels_of(built), bpy_python, site)
    environment = without_checkout(BLENDER_USER_RESOURCES=str(home))
    command = [bpy_python, "-I", "-S", WALK, site, built, out]
    run = subprocess.run(command, cwd=out, env=environment, capture_output=True, text=True, timeout=600)
    assert run.returncode == 0, run.stdout[-3000:] + run.stderr[-3000:]
    return json.loads((out / "facts.json").read_text(encoding="utf-8")) | {"home": str(home)}


def test_every_build_has_a_new_version_and_the_same_files(built, tmp_path):
    again = build_zip(tmp_path)
    first, second = (wheels_of(path)["scatterproof"] for path in (built, again))
    versions = [{name.split("/")[0] for name in w.namelist() if ".dist-info/" in name} for w in (first, second)]
    assert versions[0].isdisjoint(versions[1])
    assert stamp_of(built) < stamp_of(again)
    files = [sorted(n for n in w.namelist() if ".dist-info/" not in n) for w in (first, second)]
    assert files[0] == files[1]


def test_the_zip_lists_its_wheels_and_carries_licence_templates_and_style(built):
    names = zipfile.ZipFile(built).namelist()
    assert sorted(manifest_of(built)["wheels"]) == sorted(f"./{n}" for n in names if n.endswith(".whl"))
    assert "LICENSE" in names
    assert not [n for n in names if "__pycache__" in n or "test" in n]
    engine = wheels_of(built)["scatterproof"].namelist()
    templates = Path(__file__).resolve().parents[2] / "templates"
    wanted = {f"scatterproof/templates/{p.relative_to(templates).as_posix()}" for p in templates.rglob("*.*")}
    assert wanted <= set(engine)
    assert "scatterproof/report/page.css" in engine


def test_the_wheels_are_as_their_records_say(built):
    wheels = wheels_of(built)
    assert {"scatterproof", "tomlkit"} <= set(wheels)
    assert not any(altered_files(wheel) for wheel in wheels.values())


def test_the_engine_is_the_one_just_built(built, walked):
    site = Path(walked["extensions"]) / ".local" / "lib"
    assert Path(walked["home"]) in site.parents
    assert walked["stamp"] == stamp_of(built)
    assert Path(walked["engine"]).is_relative_to(site)
    assert Path(walked["tomlkit"]).is_relative_to(site)


def test_it_registers_and_unregisters_without_a_trace(walked):
    assert not any(walked["before"].values())
    assert walked["installed"]["operators"]
    assert walked["installed"]["handlers"]
    assert walked["disabled"] == [walked["before"]] * 3
    assert walked["enabled"] == [walked["installed"]] * 3


def test_every_step_is_done_and_says_so(walked):
    names = [name for name, _, _ in walked["steps"]]
    assert names == ["build_stage", "scatter", "add_stand", "rehearse", "bake", "clear_bake", "clear"]
    assert all(result == ["FINISHED"] for _, result, _ in walked["steps"])
    assert walked["polls without a plan"] == [True] + [False] * 6
    after = {name: counts for name, _, counts in walked["steps"]}
    assert after["add_stand"]["objects"] == after["scatter"]["objects"] + 1 == after["build_stage"]["objects"] + 1
    assert after["bake"]["words"] >= len(walked["rehearsed"]) == 5
    assert after["clear"]["objects"] == after["clear"]["pins"] == after["clear"]["node groups"] == 0


@pytest.mark.parametrize("name", ["build_stage", "add_stand", "bake", "clear_bake", "clear"])
def test_every_step_can_be_undone_and_done_again(walked, name):
    done, undone, redone = walked["undo"][name]
    order = [step for step, _, _ in walked["steps"]]
    row = order.index(name)
    before = walked["start"] if row == 0 else walked["steps"][row - 1][2]
    assert undone["objects"] == before["objects"] != done["objects"]
    assert undone["pins"] == before["pins"]
    assert redone == done


def test_verdicts_are_those_of_the_engine_alone(walked):
    """Rehearsed again here, in the engine of the checkout: the same states frame by frame."""
    plan = parse_plan(example("lantern-yard"), "lantern-yard").plan
    sets = tuple(dataclasses.replace(s, seed=7 + row) for row, s in enumerate(plan.markers))
    stand = Stand(name="stand 1", at=(1.0, 3.0), height=2.2, bands=(0.5, 1.0, 1.5, 2.0), paint="band")
    changed = dataclasses.replace(plan, markers=sets, stands=(*plan.stands, stand))
    assert walked["stands"] == [s.name for s in changed.stands] == walked["stands after opening"]
    assert {r.readiness.name: r.readiness.state.tolist() for r in rehearse(changed)} == walked["rehearsed"]


def test_a_saved_file_shows_what_was_baked(walked):
    assert walked["opened"]["objects"] == walked["without"]["objects"] == walked["saved"]["objects"]
    assert walked["opened"]["node groups"] == walked["opened"]["images"] == 1
    assert walked["forgotten"]
    assert walked["size"] < 2_000_000
