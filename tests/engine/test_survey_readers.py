"""Survey files as people and instruments write them: read right, or asked about, never guessed."""

import contextlib
import math
import struct

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from kit_plans import kit_plan
from scatterproof.kit.camera_report import blank_report
from scatterproof.problems import BadInput
from scatterproof.survey import clouds, points, tables
from scatterproof.survey.adjust import ANGLE, DIRECTION, DISTANCE, HEIGHT, LEVEL, ZENITH
from scatterproof.survey.clouds import read_points
from scatterproof.survey.files import read_survey
from scatterproof.survey.notes import read_notes
from scatterproof.survey.tables import METRES, Told


@pytest.fixture
def write(tmp_path):
    def to(text, name="points.csv"):
        path = tmp_path / name
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return path

    return to


def problems_of(path, reader=read_points, **told):
    with pytest.raises(BadInput) as caught:
        reader(path, Told(**told))
    return [str(problem) for problem in caught.value.problems]


# The same two points, written in many ways.
WANTED = np.array([[1.25, 2.5, 0.125], [-4.0, 3.0, 5.0]])


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("Point,Northing,Easting,Elev\n1,2.5,1.25,0.125\n2,3,-4,5\n", {"units": "m"}),
        ("E;N;Z;No\n1,25;2,5;0,125;1\n-4;3;5;2\n", {"units": "m"}),
        ("name\tx\ty\tz\tdescription\n1\t1.25\t2.5\t.125\tmarker, white\n2\t-4\t3\t5\t\n", {"units": "m"}),
        ("id,x (mm),y [mm],z_mm\n1,1250,2500,125\n2,-4000,3000,5000\n", {}),
        ("# units: cm\nid,x,y,z\n1,125,250,12.5\n\n# a remark\n2,-400,300,500\n", {}),
        ("1,2.5,1.25,0.125,white\n2,3,-4,5,\n", {"columns": "PNEZD", "units": "m"}),
        ("1,1.25,2.5,0.125\n2,-4,3,5\n", {"columns": "PENZ", "units": "m"}),
        ("  1   1.25  2.5   0.125\n  2   -4   3   5\n", {"columns": "PXYZ", "units": "m"}),
        ("p,x,y,z\n1,1.25 m,250 cm,125 mm\n2,-4 m,3 m,5 m\n", {}),
        ("p,x,y,z\n1,0.125,1.25,2.5\n2,5,-4,3\n", {"units": "m", "axes": "y z x"}),
        ("p,x,y,z\n1,-2.5,1.25,0.125\n2,-3,-4,5\n", {"units": "m", "axes": "y -x z"}),
        ('p,x,y,z\n"1","1.25","2.5","0.125"\n2,−4,3.0e0,5\n', {"units": "m"}),
    ],
)
def test_lists_in_many_ways_of_writing(write, text, told):
    for encoding in ("utf-8", "utf-8-sig", "utf-16"):
        found = read_points(write(text.encode(encoding)), Told(**told))
        assert found.position_m == pytest.approx(WANTED, abs=1e-12)
        assert found.label == ("1", "2")


def test_windows_and_unix_line_ends(write):
    text = "id,x_m,y_m,z_m\r\n1,1.25,2.5,0.125\r\n2,-4,3,5\r\n"
    assert read_points(write(text)).position_m == pytest.approx(WANTED)


@pytest.mark.parametrize("unit", METRES)
def test_every_unit(write, unit):
    rows = WANTED / METRES[unit]
    text = "id,x,y,z\n" + "".join(f"{i},{x!r},{y!r},{z!r}\n" for i, (x, y, z) in enumerate(rows.tolist(), 1))
    assert read_points(write(text), Told(units=unit)).position_m == pytest.approx(WANTED, rel=1e-14)


def test_standard_deviations(write):
    found = read_points(write("id,x,y,z,sigma\n1,1,2,3,4\n2,1,2,5,\n"), Told(units="mm"))
    assert found.sigma_m[0] == pytest.approx([0.004] * 3)
    assert np.isnan(found.sigma_m[1]).all()
    each = read_points(write("id,x,y,z,sx,sy,sz\n1,1,2,3,4,5,6\n"), Told(units="mm"))
    assert each.sigma_m[0] == pytest.approx([0.004, 0.005, 0.006])


@pytest.mark.parametrize(
    ("text", "told", "asked"),
    [  # what a file leaves open, and the option that settles it
        ("id,x,y,z\n1,1,2,3\n2,9,9,9\n", {"across_m": 8.0}, "--units"),
        ("1,2,3,4\n2,4,5,6\n", {"units": "m"}, "--columns"),
        ("Punkt,x,y,z\n1,1,2,3\n", {"units": "m"}, "--columns"),
        ("id;x;y;z\n1;2.5;3,5;4\n", {"units": "m"}, "--decimal"),
        ("id,x_ft,y_ft,z_ft\n1,1,2,3\n", {"units": "m"}, "--units"),
        (b"id,x,y,z\n\xe4,1,2,3\n", {"units": "m"}, "--encoding"),
        ("a b c\nd e\nf g h i\n", {"units": "m"}, "--delimiter"),
    ],
)
def test_what_is_open_is_asked(write, text, told, asked):
    assert asked in " ".join(problems_of(write(text), **told))


def test_the_question_about_units_tells_which_would_fit(write):
    (asked,) = problems_of(write("id,x,y,z\n1,0,0,0\n2,26,9,9\n"), across_m=8.0)
    assert "ft or us-ft" in asked


def test_everything_wrong_is_told_with_its_line(write):
    text = "id,x,y,z\n1,=1+2,nan,3\n2,1,2\n3,1,2,3\n3,1,2,3\n4,1e400,2,3\n5,@x,-SUM(A1),1_0\n"
    told = problems_of(write(text), units="m")
    assert [t.split(": found")[0] for t in told] == [
        "points.csv: line 2, x", "points.csv: line 2, y", "points.csv: line 3",
        "points.csv: line 6, x", "points.csv: line 7, x", "points.csv: line 7, y", "points.csv: line 7, z",
    ]  # fmt: skip
    assert "formulas are not computed" in told[0]
    (twice,) = problems_of(write("id,x,y,z\n3,1,2,3\n4,1,2,3\n3,1,2,3\n"), units="m")
    assert "line 4" in twice
    assert "line 2" in twice


def test_a_formula_stays_text_in_a_label(write):
    found = read_points(write('id,x,y,z\n"=HYPERLINK(""x"")",1,2,3\n'), Told(units="m"))
    assert found.label == ('=HYPERLINK("x")',)


def test_ply_of_every_kind(write):
    head = "ply\nformat {}\ncomment units: mm\n{}element vertex 2\nproperty double x\nproperty float y\n"
    head += "property {} z\nend_header\n"
    words = head.format("ascii 1.0", "", "float") + "1250 2500 125\n-4000 3000 5000\n"
    assert read_points(write(words, "a.ply")).position_m == pytest.approx(WANTED)
    for order, name in (("<", "binary_little_endian"), (">", "binary_big_endian")):
        faces = "element face 1\nproperty int n\nproperty uchar m\n"
        raw = head.format(f"{name} 1.0", faces, "short").encode() + struct.pack(order + "iB", 7, 1)
        raw += struct.pack(order + "dfh", 1250, 2500, 125) + struct.pack(order + "dfh", -4000, 3000, 5000)
        assert read_points(write(raw, "a.ply")).position_m == pytest.approx(WANTED)
        assert "as the header says" in problems_of(write(raw[:-1], "a.ply"))[0]


def test_obj_with_names(write):
    text = "# units: m\no wall 1\nv 1.25 2.5 0.125\no wall 2\nv -4 3 5 1.0\np 2\no box\nv 1 1 1\nv 2 2 2\n"
    found = read_points(write(text, "a.obj"))
    assert found.position_m[:2] == pytest.approx(WANTED)
    assert found.label == ("wall 1", "wall 2", "", "")


XYZ = "property float x\nproperty float y\nproperty float z\nend_header\n"


@pytest.mark.parametrize(
    ("text", "where"),
    [
        (f"ply\nformat ascii 1.0\nelement vertex 2\n{XYZ}1 2 3\n", "line 9"),
        (f"ply\nformat ascii 1.0\nelement vertex 1\n{XYZ}1 2 nan\n", "line 8"),
        (f"ply\nformat ascii 1.0\nelement vertex 99999999999\n{XYZ}", "header"),
        (f"ply\nformat ascii 1.0\nelement vertex 1\nproperty list uchar int n\n{XYZ}", "header"),
        ("ply\nformat zip 1.0\n", "line 2"),
        ("plymouth\n", "line 1"),
    ],
)
def test_broken_ply(write, text, where):
    assert f"a.ply: {where}" in problems_of(write(text, "a.ply"), units="m")[0]


def test_millions_of_lines_need_little_memory(write, monkeypatch):
    monkeypatch.setattr(points, "MOST_POINTS", 1000)
    monkeypatch.setattr(clouds, "MOST_POINTS", 1000)
    rows = "".join(f"{i},1,2,3\n" for i in range(5000))
    assert "1,000 points" in problems_of(write("id,x,y,z\n" + rows), units="m")[0]
    assert "1,000 points" in problems_of(write("v 1 2 3\n" * 5000, "a.obj"), units="m")[0]
    bad = problems_of(write("id,x,y,z\n" + "a,b,c,d\n" * 900), units="m")
    assert len(bad) == tables.MOST_PROBLEMS + 1
    long = problems_of(write("id,x,y,z\n" + "1" * 10**6), units="m")
    assert "a very long line" in long[0]


# --- notes -----------------------------------------------------------------------------------------------------------


def test_tape_notes(write):
    found = read_notes(write("from,to,distance,sigma\n12,13,5' 6 1/2\",1/8 in\n13,S1.2,2.5 m,\n"))
    assert found.kind.tolist() == [DISTANCE, DISTANCE]
    assert found.value == pytest.approx([1.6891, 2.5])
    assert found.sigma[0] == pytest.approx(0.003175)
    assert np.isnan(found.sigma[1])
    assert found.to == ("13", "S1.2")


def test_instrument_notes(write):
    text = (
        "Station;Target;Hz [gon];V [gon];SD [m];HI [m];HT [m];HD;dH;angle;backsight\n"
        "St1;1;100,0000;95,5;5,250;1,5;0,2;;;;\n"
        "St1;2;;;;;;4,1 m;-0,35 m;50°06'50\";1\n"
    )
    found = read_notes(write(text))
    assert found.kind.tolist() == [DISTANCE, DIRECTION, ZENITH, LEVEL, ANGLE, HEIGHT]
    angle = math.radians(50 + 6 / 60 + 50 / 3600)
    assert found.value == pytest.approx([5.25, math.pi / 2, 95.5 * math.pi / 200, 4.1, angle, -0.35])
    assert found.lift_m[0] == pytest.approx([1.5, 0.2])
    assert found.back[4] == "1"


@pytest.mark.parametrize(
    ("text", "told", "asked"),
    [
        ("from,to,distance\n1,2,3\n", {}, "--units"),
        ("from,to,hz\n1,2,30.5\n", {}, "--angles"),
        ("from,to\n1,2\n", {}, "columns"),
        ("from,to,distance\n1,1,3 m\n", {}, "two different points"),
        ("from,to,distance\n1,2,-3 m\n", {}, "a distance above 0"),
        ("from,to,distance\n1,2,\n", {}, "at least one of"),
        ("from,to,angle\n1,2,30°10'20\"\n", {}, "back"),
        ("from,to,hz\n1,2,30.7512\n", {"angles": "dms"}, "minutes and seconds below 60"),
    ],
)
def test_notes_that_are_asked_about(write, text, told, asked):
    assert asked in " ".join(problems_of(write(text), read_notes, **told))


def test_packed_angles(write):
    found = read_notes(write("from,to,hz\n1,2,30.1530\n"), Told(angles="dms"))
    assert math.degrees(found.value[0]) == pytest.approx(30 + 15 / 60 + 30 / 3600)


# --- anything at all -----------------------------------------------------------------------------------------------

GOOD = [
    b"id,x_m,y_m,z_m,sigma\n1,1,2,3,0.002\n2,4,5,6,\n",
    b"from,to,distance,sigma\n1,2,3 m,2 mm\n2,3,4 m,\n",
    b"ply\nformat ascii 1.0\ncomment units: m\nelement vertex 1\nproperty float x\nproperty float y\nproperty float z\n"
    b"end_header\n1 2 3\n",
    b"ply\nformat binary_little_endian 1.0\ncomment units: m\nelement vertex 1\nproperty float x\nproperty float y\n"
    b"property float z\nend_header\n" + struct.pack("<fff", 1, 2, 3),
    b"# units: m\no a\nv 1 2 3\n",
]
SPOIL = st.sampled_from(
    [b"\x00", b"\xff\xfe", b"\xef\xbb\xbf",
     b'"', b"nan", b"1e999", b"=1", b",", b";", b"\t", b"\n", b"\r", b"9" * 400,
     b"-", b"list", b"element vertex 5\n", b"\xc3", "灯".encode(), b"#", b"# units: furlong\n",
     b"# axes: x x z\n", b"inf"]
)  # fmt: skip


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_spoilt_files_are_read_or_refused(tmp_path, data):
    text = data.draw(st.sampled_from(GOOD))
    for _ in range(data.draw(st.integers(0, 4))):
        at = data.draw(st.integers(0, len(text)))
        cut = data.draw(st.integers(0, 6))
        text = text[:at] + data.draw(SPOIL) + text[at + cut :]
    path = tmp_path / f"spoilt{data.draw(st.sampled_from(['.csv', '.ply', '.obj']))}"
    path.write_bytes(text)
    for reader in (read_points, read_notes):
        with contextlib.suppress(BadInput):
            found = reader(path, Told(units="m"))
            assert len(found) > 0
            assert np.isfinite(found.position_m if reader is read_points else found.value).all()
    assert path.read_bytes() == text


def test_files_of_every_kind_are_told_apart_by_what_they_hold(write):
    plan = kit_plan()
    paths = [
        write("point,x,y,z\n1,1 m,2 m,3 m\n", "list.csv"),
        write("# units: m\n# as written on the day\nStation;Target;Tape\nA;B;2.5\n", "tape.csv"),
        write("v 1 2 3\n", "cloud.obj"),
        write(blank_report(plan, "m").replace(",,", ",1,", 1), "report.csv"),
        write("From,To,Distance (ft)\nA,B,8.2\n", "more.csv"),
    ]
    every = list(read_survey(paths, Told(units="m"), plan))
    assert [len(b.points) + len(b.notes) + bool(b.takes) for b in every] == [1, 2, 3, 4, 5]
    assert [file.file for file in every[-1].points] == ["list.csv", "cloud.obj"]
    assert [file.file for file in every[-1].notes] == ["tape.csv", "more.csv"]
    assert every[-1].notes[1].value == pytest.approx([8.2 * 0.3048])
