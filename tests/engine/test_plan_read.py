"""Every problem of a plan file is told at once, with its file, key path, what was found and what was expected."""

import tomllib

import pytest
from scatterproof.plan.read import LARGEST_FILE, load_plan, parse_plan
from scatterproof.plan.write import dump_plan
from scatterproof.problems import BadInput

GOOD = """\
schema = 2
name = "Harbour"

[[paint]]
name = "screen"
srgb = [60, 170, 80]

[[paint]]
name = "marker"
linear = [0.3, 0.5, 0.3]

[[paint]]
name = "band"
linear = [0.3, 0.5, 0.3]

[stage]

[[stage.floor]]
name = "floor"
x = [-4, 4]
y = [-4, 4]

[[stage.wall]]
name = "back"
start = [-4, 4]
end = [4, 4]
height = 4

[[stage.panel]]
name = "flat"
corner = [0, 0, 0]
across = [2, 0, 0]
up = [0, 0, 2]

[[stage.cove]]
name = "cove"
between = ["floor", "back"]
radius = 0.9

[[stage.shadow]]
surface = "back"
outline = [[0, 0], [1, 0], [1, 1]]
factor = 0.5

[[keepout]]
name = "fire lane"
surface = "floor"
outline = [[0, 0], [1, 0], [1, 1], [0, 1]]

[[markers]]
name = "wall"
surfaces = ["back"]
spacing = 0.5

[[markers]]
name = "by hand"
surfaces = []
layout = "placed"

[[markers.placed]]
surface = "floor"
at = [1, 1]
size = 0.1

[[stand]]
name = "left"
at = [1, 1]
height = 2
bands = [1, 1.9]

[[gear]]
name = "crate"
at = [1, 2, 0]
size = [1, 1, 1]

[[blocker]]
name = "dancer"
shots = ["push"]

[[blocker.key]]
frame = 1
at = [0, 0, 0]

[[blocker.key]]
frame = 9
at = [1, 0, 0]

[[camera]]
name = "A"
film_back = [24.89, 18.66]
resolution = [2048, 1536]
delivery_aspect = 1.85
focal_length = 35
exposure = 0.02

[[shot]]
name = "push"
camera = "A"
frames = [1, 48]

[shot.move]
kind = "push"
start = [0, -3, 1.5]
aim = [0, 4, 1.5]

[shot.move.wander]
band = [0.3, 3]

[[shot]]
name = "crane"
camera = "A"
frames = [1, 48]

[[shot.key]]
frame = 1
at = [0, -3, 1.5]
aim = [0, 4, 1]

[[shot.key]]
frame = 48
at = [0, -3, 3]
aim = [0, 4, 1]

[[shot]]
name = "tracked"
camera = "A"
frames = [1, 2]

[[shot.sample]]
at = [0, -3, 1.5]
turn = [1, 0, 0, 0]

[[shot.sample]]
at = [0, -3, 1.6]
turn = [1, 0, 0, 0]

[criteria]
features = [12, 7]
blur = [4, 10]
"""


def problems(text):
    with pytest.raises(BadInput) as caught:
        parse_plan(text, "x.toml")
    assert all(problem.file == "x.toml" for problem in caught.value.problems)
    return caught.value.problems


def test_the_good_plan_is_good():
    file = parse_plan(GOOD)
    assert file.warnings == ()
    assert parse_plan(dump_plan(file.plan)).plan == file.plan


# what to replace, with what, the key path told, and words of what was found or expected
SLIPS = [
    ('name = "Harbour"', "", "name", "no such key"),
    ('name = "Harbour"', 'nmae = "Harbour"', "name", '"nmae" looks like it'),
    ('name = "Harbour"', "name = 7", "name", "found 7; expected text"),
    ('name = "Harbour"', 'name = " "', "name", "a printable name"),
    ('name = "Harbour"', 'name = "Har\\nbour"', "name", "a printable name"),
    ('name = "Harbour"', 'name = "H"\nunits = "feet"', "units", 'one of "m"'),
    (
        'paint]]\nname = "screen"\nsrgb = [60, 170, 80]',
        'paint]]\nname = "screen"',
        "paint[1] 'screen'",
        "neither srgb nor linear",
    ),
    ("srgb = [60, 170, 80]", "srgb = [60, 170, 80]\nlinear = [1, 1, 1]", "paint[1] 'screen'", "srgb and linear"),
    ("srgb = [60, 170, 80]", "srgb = [60, 170]", "paint[1] 'screen'.srgb", "found a list of 2; expected 3 in a row"),
    ("srgb = [60, 170, 80]", "srgb = [60, 170, 300]", "paint[1] 'screen'.srgb[3]", "found 300; expected 0 to 255"),
    ("srgb = [60, 170, 80]", "srgb = [60, nan, 80]", "paint[1] 'screen'.srgb[2]", "a finite number"),
    ("srgb = [60, 170, 80]", "srgb = true", "paint[1] 'screen'.srgb", "found true"),
    (
        '[[paint]]\nname = "marker"',
        '[[paint]]\nname = "screen"',
        "paint[2] 'screen'.name",
        "the name of paint[1] 'screen' again",
    ),
    ("x = [-4, 4]", 'x = ["-4 k", 4]', "stage.floor[1] 'floor'.x[1]", 'found "-4 k"; expected a length'),
    ("x = [-4, 4]", "x = [4, -4]", "stage.floor[1] 'floor'.x", "the left edge, then the right edge"),
    ("x = [-4, 4]", "x = [-4, inf]", "stage.floor[1] 'floor'.x[2]", "a finite number"),
    ("x = [-4, 4]", "x = [-4, 1e999999999999999999999]", "stage.floor[1] 'floor'.x[2]", "a finite number"),
    ("x = [-4, 4]", "x = [-4, 0x" + "F" * 9000 + "]", "stage.floor[1] 'floor'.x[2]", "a number of 36000 bits"),
    ("x = [-4, 4]", "x = [-4, 2e5]", "stage.floor[1] 'floor'.x[2]", "-100000 m to 100000 m"),
    ("end = [4, 4]", "end = [-4, 4]", "stage.wall[1] 'back'.end", "at least 10 mm long"),
    ("height = 4", "height = 1979-05-27", "stage.wall[1] 'back'.height", "a date or time"),
    ("up = [0, 0, 2]", "up = [1, 0, 2]", "stage.panel[1] 'flat'.up", "63.43 degrees to across"),
    ("across = [2, 0, 0]", "across = [0, 0, 0]", "stage.panel[1] 'flat'.across", "an edge at least 10 mm long"),
    (
        '["floor", "back"]',
        '["floor", "bock"]',
        "stage.cove[1] 'cove'.between[2]",
        "the name of a flat surface: 'floor'",
    ),
    ('["floor", "back"]', '["back", "flat"]', "stage.cove[1] 'cove'.between", "which are parallel"),
    ('["floor", "back"]', '["back", "back"]', "stage.cove[1] 'cove'.between", "two different surfaces"),
    ("radius = 0.9", 'radius = "1 mm"', "stage.cove[1] 'cove'.radius", "0.01 m to"),
    ("[[0, 0], [1, 0], [1, 1]]", "[[0, 0], [1, 0]]", "stage.shadow[1].outline", "2 corners"),
    ("[[0, 0], [1, 0], [1, 1]]", "[[0, 0], [1, 0], [1]]", "stage.shadow[1].outline[3]", "found a list of 1"),
    ("[[0, 0], [1, 0], [1, 1]]", "[[0, 0], [2, 0], [1, 0]]", "stage.shadow[1].outline", "folds back"),
    ("[1, 0], [1, 1], [0, 1]]", "[1, 1], [1, 0], [0, 1]]", "keepout[1] 'fire lane'.outline", "cross"),
    ("[1, 0], [1, 1], [0, 1]]", "[1, 0], [1, 1], [1, 0]]", "keepout[1] 'fire lane'.outline", "the same corner twice"),
    ('surface = "floor"\noutline', 'surface = "flour"\noutline', "keepout[1] 'fire lane'.surface", "'flour'"),
    ('surfaces = ["back"]', 'surfaces = ["*walls"]', "markers[1] 'wall'.surfaces[1]", "'*walls'"),
    ('surfaces = ["back"]', "surfaces = []", "markers[1] 'wall'.surfaces", "at least one surface"),
    ("spacing = 0.5", "", "markers[1] 'wall'", "exactly one of spacing, count and density"),
    ("spacing = 0.5", "spacing = 0.5\ncount = 4", "markers[1] 'wall'", "spacing and count"),
    ("spacing = 0.5", "density = 0", "markers[1] 'wall'.density", "more than 0"),
    ("spacing = 0.5", "spacing = 0.01", "markers[1] 'wall'", "at most 20000"),
    ("spacing = 0.5", "count = 30000", "markers[1] 'wall'", "at most 20000"),
    ("spacing = 0.5", "count = 1.5", "markers[1] 'wall'.count", "a whole number"),
    ("spacing = 0.5", "spacing = 0.5\ncorners = [8, 5]", "markers[1] 'wall'.corners", "fewest, then most"),
    ("spacing = 0.5", "spacing = 0.5\nsize = [2, 1]", "markers[1] 'wall'.size", "smallest, then largest"),
    ("spacing = 0.5", 'spacing = 0.5\nshape = "disk"', "markers[1] 'wall'.shape", '"disc", or one of'),
    ("spacing = 0.5", 'spacing = 0.5\npaint = "red"', "markers[1] 'wall'.paint", "the name of a paint"),
    ("[[markers.placed]]", "[[markers.plcaed]]", "markers[2] 'by hand'.layout", "at least one [[markers.placed]]"),
    ('layout = "placed"', "count = 3", "markers[2] 'by hand'.layout", "'scatter' with 1 placed markers"),
    ("bands = [1, 1.9]", "bands = [1, 2.5]", "stand[1] 'left'.bands[2]", "at most the height, 2 m"),
    ("bands = [1, 1.9]", "bands = []", "stand[1] 'left'.bands", "at least one band"),
    ("bands = [1, 1.9]", "bands = 1", "stand[1] 'left'.bands", "found 1; expected a list"),
    ('shots = ["push"]', 'shots = ["pull"]', "blocker[1] 'dancer'.shots[1]", "the name of a shot"),
    ('shots = ["push"]', 'kind = "mesh"', "blocker[1] 'dancer'.file", "the name of an OBJ file"),
    ("frame = 9", "frame = 1", "blocker[1] 'dancer'.key[2].frame", "1 after 1"),
    ("focal_length = 35", "focal_length = 35\nfocus = 0.05", None, None),
    ("focal_length = 35", 'focal_length = 60\nfocus = "5 cm"', "camera[1] 'A'.focus", "beyond the focal length"),
    ("focal_length = 35", 'focal_length = "35 in"', "camera[1] 'A'.focal_length", "millimetres"),
    ("exposure = 0.02", 'exposure = "1/10 s"', "shot[1] 'push'.rate", "the exposure of camera 'A' to fit into a frame"),
    ("frames = [1, 2]", "frames = [1, 2]\nexposure = 0.1", "shot[3] 'tracked'.rate", "exposure 0.1 s"),
    ("exposure = 0.02", "read_out = 0.05", "shot[2] 'crane'.rate", "read_out 0.05 s"),
    ("exposure = 0.02", 'shutter = "400 deg"', "camera[1] 'A'.shutter", "0 degrees to 360 degrees"),
    (
        'name = "push"\ncamera = "A"',
        'name = "push"\ncamera = "B"',
        "shot[1] 'push'.camera",
        "the name of a camera: 'A'",
    ),
    (
        'name = "push"\ncamera = "A"\nframes = [1, 48]',
        'name = "push"\ncamera = "A"\nframes = [48, 1]',
        "shot[1] 'push'.frames",
        "an empty shot",
    ),
    ("frames = [1, 48]", "frames = [1, 48000]", "shot[1] 'push'.frames", "at most 20000 in one shot"),
    ("frames = [1, 2]", "frames = [1, 3]", "shot[3] 'tracked'.sample", "one for each of the 3 frames"),
    ("turn = [1, 0, 0, 0]", "turn = [1, 1, 0, 0]", "shot[3] 'tracked'.sample[1].turn", "a unit quaternion"),
    ("aim = [0, 4, 1.5]", "aim = [0, -3, 1.5]", "shot[1] 'push'.move.aim", "a direction to look in"),
    ("aim = [0, 4, 1.5]", "aim = [0, 4, 1.5]\ndistance = 0", "shot[1] 'push'.move.distance", "the length of the push"),
    ("band = [0.3, 3]", "band = [3, 0.3]", "shot[1] 'push'.move.wander.band", "lowest, then highest"),
    ("band = [0.3, 3]", "band = [15, 30]", "shot[1] 'push'.move.wander.band", "below half the frame rate"),
    ("[[shot.sample]]", "[[shot.smaple]]", "shot[3] 'tracked'.sample", "1 samples"),
    (
        "turn = [1, 0, 0, 0]\n\n[criteria]",
        "turn = [1, 0, 0, 0]\n[shot.move]\nstart = [0, 0, 0]\naim = [0, 1, 0]\n[criteria]",
        "shot[3] 'tracked'",
        "move and sample",
    ),
    ("[shot.move]", "[[shot.move]]", "shot[1] 'push'.move", "a table under [shot.move]"),
    ("[[gear]]", "[gear]", "gear", "each under its own [[gear]]"),
    (
        "frame = 48\nat = [0, -3, 3]\naim = [0, 4, 1]",
        "frame = 48\nat = [0, -3, 3]",
        "shot[2] 'crane'.key[2].aim",
        "in every key, or in none",
    ),
    ("frame = 48", "frame = 1", "shot[2] 'crane'.key[2].frame", "frames that rise"),
    ("features = [12, 7]", "features = [7, 12]", "criteria.features", "firm at least thin"),
    ("blur = [4, 10]", "blur = [10, 4]", "criteria.blur", "firm at most thin"),
    ("schema = 2", "schema = 3", "schema", "a newer version"),
    ("schema = 2", "schema = 0", "schema", "2, or 1"),
    ("schema = 2", 'schema = "2"', "schema", "2, or 1"),
    ("schema = 2", "schema = true", "schema", "2, or 1"),
    ("schema = 2", "schema = ", "line 1, column 10", "valid TOML"),
    ("schema = 2", "schema = 2\nschema = 2", "line 2, column 11", "valid TOML"),
]


@pytest.mark.parametrize(("old", "new", "where", "words"), SLIPS, ids=[f"{s[2]}-{s[1][:30]!r}" for s in SLIPS])
def test_each_slip_is_told_where_it_stands(old, new, where, words):
    assert old in GOOD
    text = GOOD.replace(old, new, 1)
    if where is None:
        parse_plan(text)
        return
    found = problems(text)
    if words:
        assert any(p.where == where and words in str(p) for p in found), "\n".join(map(str, found))


def test_one_slip_makes_one_problem():
    """What depends on a value that is wrong already is not judged as well."""
    for old, new in (
        ("height = 4", 'height = "x"'),
        ("frames = [1, 2]", "frames = [1]"),
        ("srgb = [60", 'srgb = ["a"'),
    ):
        assert len(problems(GOOD.replace(old, new, 1))) == 1


def test_all_problems_at_once():
    text = GOOD
    wanted = set()
    for old, new, where in (
        ("height = 4", 'height = "tall"', "stage.wall[1] 'back'.height"),
        ("bands = [1, 1.9]", "bands = [nan]", "stand[1] 'left'.bands[1]"),
        ('name = "push"\ncamera = "A"', 'name = "push"\ncamera = "B"', "shot[1] 'push'.camera"),
        ("features = [12, 7]", "features = [7, 12]", "criteria.features"),
        ("[[gear]]\nname", '[[gear]]\nname = "left"\n[[gear]]\nname', "gear[1] 'left'.at"),
    ):
        text = text.replace(old, new, 1)
        wanted.add(where)
    assert wanted <= {p.where for p in problems(text)}


def test_unknown_keys_are_kept_and_told():
    text = GOOD.replace("height = 4", 'height = 4\nbse = 1\n"ü" = 2') + "[notes]\nx = 1\n"
    file = parse_plan(text)
    assert {w.where for w in file.warnings} == {"stage.wall[1] 'back'.bse", "stage.wall[1] 'back'.ü", "notes"}
    assert '"base" perhaps' in next(w.expected for w in file.warnings if w.where.endswith("bse"))
    assert file.text == text


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "nothing in it"),
        (b"  \n\t\n", "nothing in it"),
        (b"\xff\xfe\x00s", "byte 0xff"),
        (b'name = "caf\xe9"', "UTF-8"),
        (b"a" * (LARGEST_FILE + 1), "at most 20 MB"),
        (b"\x00", "valid TOML"),
        (b"a = " + b"[" * 100_000, "nested too deeply"),
        (b"a = " + b"9" * 5000, "valid TOML"),
    ],
)
def test_files_that_are_no_plans(tmp_path, data, words):
    path = tmp_path / "plän.toml"
    path.write_bytes(data)
    with pytest.raises(BadInput, match=words) as caught:
        load_plan(path)
    assert caught.value.problems[0].file == str(path)


def test_files_that_are_not_there(tmp_path):
    with pytest.raises(BadInput, match="no such file"):
        load_plan(tmp_path / "none.toml")
    with pytest.raises(BadInput, match="a folder"):
        load_plan(tmp_path)
    with pytest.raises(BadInput, match="null byte"):
        load_plan("a\0b")
    with pytest.raises(BadInput, match="file name too long"):
        load_plan(tmp_path / ("x" * 300))


def test_a_byte_order_mark_is_no_problem(tmp_path):
    path = tmp_path / "plan.toml"
    path.write_bytes(b"\xef\xbb\xbf" + GOOD.encode())
    assert load_plan(path).plan == parse_plan(GOOD).plan
    assert load_plan(str(path)).path == path


def test_schema_1_loads_and_keeps_its_comments():
    first_draft = """\
# The first draft.
schema = 1
name = "Harbour"   # ours
min_features = 14  # supervisor's wish

""" + GOOD.partition('"Harbour"\n\n')[2].replace("[criteria]\nfeatures = [12, 7]\nblur = [4, 10]\n", "")
    first_draft = first_draft.replace("exposure = 0.02", "shutter_degrees = 172.8 # shutter")
    first_draft = first_draft.replace('"A"\nframes = [1, 48]', '"A"\nfirst = 1 # slate\n# between\nlast = 48 # cut')
    first_draft = first_draft.replace('"A"\nframes = [1, 2]', '"A"\nthin_features = 3\nfirst = 1\nlast = 2')
    file = parse_plan(first_draft)
    plan = file.plan
    assert plan.schema == 2
    assert [shot.frames for shot in plan.shots] == [(1, 48), (1, 48), (1, 2)]
    assert plan.cameras[0].shutter == pytest.approx(3.0159289, abs=1e-7)  # 172.8 degrees
    assert plan.criteria.features == (14, 7)
    assert plan.shots[2].criteria.features == (12, 3)
    for line in ("# The first draft.", "# ours", "# supervisor's wish", "# shutter", "# slate # cut", "# between"):
        assert line in file.text
    assert tomllib.loads(file.text)["schema"] == 2
    assert [w.where for w in file.warnings] == ["schema"]
    again = parse_plan(file.text)
    assert again.plan == plan
    assert again.warnings == ()


def test_schema_1_problems_are_told_too():
    with pytest.raises(BadInput) as caught:
        parse_plan(GOOD.replace("schema = 2", "schema = 1").replace("frames = [1, 2]", "first = 1"))
    assert [p.where for p in caught.value.problems] == ["shot[3] 'tracked'.frames"]
