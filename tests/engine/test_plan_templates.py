"""Templates compose into valid plans with their comments; names that clash are numbered; the verb new uses them."""

import json

import pytest
from scatterproof.cli.main import main
from scatterproof.plan import templates
from scatterproof.plan.read import load_plan, parse_plan
from scatterproof.plan.templates import compose, example, template_names
from scatterproof.problems import BadInput

STAGE = """\
# Stage for tests
#
# More about it. Bare numbers are metres.

units = "m"

[[paint]]
name = "screen" # measured
linear = [0.1, 0.4, 0.1]

[[paint]]
name = "marker"
linear = [0.2, 0.5, 0.2]

[stage]

# The floor.
[[stage.floor]]
x = [-4, 4]
y = [-4, 4]

[[stage.wall]]
name = "back"
start = [-4, 4]
end = [4, 4]
height = 3
"""
CAMERA = """\
# A camera

[[camera]]
name = "A"
film_back = [24, 18]
resolution = [2000, 1500]
delivery_aspect = 1.78
focal_length = 30
"""
WALLS = """\
# For walls

[markers]
name = "dots"
surfaces = ["*walls"] # all of them
spacing = "50 cm"
"""
ALL = """\
# For everything

# darker here
[[paint]]
name = "marker"
linear = [0.05, 0.2, 0.05]

[[markers]]
name = "dots"
surfaces = ["*"]
spacing = "1 m"
"""
PANELS = '[[markers]]\nname = "none"\nsurfaces = ["*panels"]\nspacing = 1\n'
PUSH = """\
# A push with somebody in the way

[[blocker]]
name = "dancer"
shots = ["push"]

[[shot]]
name = "push"
frames = [1, 24] # a second

[shot.move]
kind = "push"
start = [0, -3, 1.5]
aim = [0, 4, 1.5]
"""


@pytest.fixture
def folder(tmp_path, monkeypatch):
    root = tmp_path / "templates"
    for path, text in {
        "stages/test.toml": STAGE,
        "stages/feet.toml": STAGE.replace('units = "m"', 'units = "ft"'),
        "cameras/a.toml": CAMERA,
        "markers/walls.toml": WALLS,
        "markers/all.toml": ALL,
        "markers/panels.toml": PANELS,
        "moves/push.toml": PUSH,
    }.items():
        (root / path).parent.mkdir(parents=True, exist_ok=True)
        (root / path).write_text(text)
    monkeypatch.setattr(templates, "template_folder", lambda: root)
    return root


def test_stars_are_filled_in_and_comments_stay(folder):
    text = compose(name="x", stage="test", camera="a", markers=["walls"], moves=["push"])
    plan = parse_plan(text).plan
    assert plan.markers[0].surfaces == ("back",)
    assert plan.shots[0].camera == "A"
    for comment in (
        "# Stage for tests",
        "# More about it.",
        "# measured",
        "# The floor.",
        "# all of them",
        "# a second",
    ):
        assert text.count(comment) == 1
    heads = [text.index(h) for h in ("# Stage for", "[[paint]]", "[stage]", "# For walls", "[[markers]]", "# A camera")]
    assert heads == sorted(heads)


def test_names_that_clash_are_numbered_with_what_refers_to_them(folder):
    text = compose(name="x", stage="test", camera="a", markers=["walls", "all", "all"], moves=["push", "push"])
    plan = parse_plan(text).plan
    assert [m.name for m in plan.markers] == ["dots", "dots 2", "dots 3"]
    assert [s.name for s in plan.shots] == ["push", "push 2"]
    assert [b.shots for b in plan.blockers] == [("push",), ("push 2",)]
    assert plan.markers[1].surfaces == ("floor", "back")
    # another paint of the same name gets a number, the same paint is not repeated
    assert [p.name for p in plan.paints] == ["screen", "marker", "marker 2"]
    assert [m.paint for m in plan.markers] == ["marker", "marker 2", "marker 2"]


def test_what_does_not_fit_is_told(folder):
    with pytest.raises(BadInput, match=r"\*panels"):
        compose(name="x", stage="test", camera="a", markers=["panels"])
    with pytest.raises(BadInput, match="lengths in other units carry them"):
        compose(name="x", stage="feet", camera="a")
    for wrong in ({"stage": "tset"}, {"camera": "../a"}, {"markers": ["b"]}, {"moves": [""]}):
        with pytest.raises(BadInput, match="one of"):
            compose(**{"name": "x", "stage": "test", "camera": "a", **wrong})


def test_another_unit(folder):
    plan = parse_plan(compose(name="x", stage="test", camera="a", markers=["walls"])).plan
    text = compose(name="x", stage="test", camera="a", markers=["walls"], units="ft")
    assert 'units = "ft"' in text
    assert "# The floor." in text
    assert "# More about it.\n" in text
    assert parse_plan(text).plan.stage == plan.stage


# -- the verb


def test_new_writes_a_plan_and_never_overwrites_unasked(tmp_path, capsys):
    out = tmp_path / "Plän.toml"
    first = ["new", str(out), "--stage", "corner", "--camera", "full-frame", "--markers", "wall-scatter", "discs"]
    assert main([*first, "--move", "push", "--move", "arc", "--units", "ft"]) == 0
    plan = load_plan(out).plan
    assert (plan.name, plan.units, len(plan.markers), len(plan.shots)) == ("Plän", "ft", 2, 2)
    before = out.read_bytes()
    assert main(first) == 2
    assert "--force" in capsys.readouterr().err
    assert out.read_bytes() == before
    assert main([*first, "--force", "--name", "again"]) == 0
    assert load_plan(out).plan.name == "again"


def test_new_tells_all_that_is_missing(tmp_path, capsys):
    assert main(["new"]) == 2
    err = capsys.readouterr().err
    assert "3 problems" in err
    assert "corner" in err
    assert main(["new", str(tmp_path / "x.toml"), "--example", "no such"]) == 2
    assert main(["new", str(tmp_path / "x.toml"), "--example", "lantern-yard", "--stage", "corner"]) == 2
    assert main(["new", str(tmp_path / "no" / "x.toml"), "--example", "lantern-yard"]) == 2
    assert "Traceback" not in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_an_example_brings_its_mesh_files(tmp_path, monkeypatch):
    plans = tmp_path / "templates" / "plans"
    plans.mkdir(parents=True)
    text = example("lantern-yard") + '\n[[blocker]]\nname = "rock"\nkind = "mesh"\nfile = "rock.obj"\n'
    text += '\n[[gear]]\nname = "cairn"\nat = [3, 0, 0]\nsize = [1, 1, 1]\nfile = "cairn.obj"\npoints = [[0, 0, 1]]\n'
    (plans / "rocky.toml").write_text(text)
    for mesh in ("rock.obj", "cairn.obj"):
        (plans / mesh).write_text("v 0 0 0\nv 1 0 0\nv 0 1 0\nv 0 0 1\nf 1 2 3\nf 1 2 4\n")
    monkeypatch.setattr(templates, "template_folder", lambda: tmp_path / "templates")
    monkeypatch.setattr("scatterproof.cli.new.template_folder", lambda: tmp_path / "templates")
    out = tmp_path / "out" / "x.toml"
    out.parent.mkdir()
    assert main(["new", str(out), "--example", "rocky"]) == 0
    assert sorted(p.name for p in out.parent.iterdir()) == ["cairn.obj", "rock.obj", "x.toml"]
    assert main(["new", str(out.with_name("y.toml")), "--example", "rocky"]) == 2  # the mesh is there already
    assert main(["check", str(out)]) == 0
    (out.parent / "rock.obj").unlink()
    assert main(["check", str(out)]) == 2


def test_list_shows_every_template(capsys):
    assert main(["new", "--list"]) == 0
    out = capsys.readouterr().out
    assert all(name in out for kind in templates.KINDS for name in template_names(kind))


def test_check_sums_up(tmp_path, capsys):
    path = tmp_path / "x.toml"
    assert main(["new", str(path), "--example", "lantern-yard"]) == 0
    path.write_text(path.read_text().replace('name = "Lantern yard"', 'name = "Lantern yard"\nnoet = 1', 1))
    assert main(["check", str(path)]) == 0
    out, err = capsys.readouterr()
    assert "LY010" in out
    assert '"note" perhaps' in err
    assert main(["check", str(path), "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["valid"] is True
    assert [w["where"] for w in data["warnings"]] == ["noet"]
    assert len(data["contents"]["shots"]) == len(load_plan(path).plan.shots)
    path.write_text("name = }")
    assert main(["check", str(path), "--json"]) == 2
    out, err = capsys.readouterr()
    assert json.loads(out)["problems"][0]["where"] == "line 1, column 8"
    assert err == ""


def test_the_command_line_ends_quietly(monkeypatch, capsys, tmp_path):
    def raising(error):
        def run(_):
            raise error

        return run

    for error, status in ((KeyboardInterrupt(), 130), (OSError(28, "No space left on device"), 2)):
        monkeypatch.setattr("scatterproof.cli.new.run", raising(error))
        assert main(["new", "--list"]) == status
        err = capsys.readouterr().err
        assert err.count("\n") == 1
        assert "Traceback" not in err
