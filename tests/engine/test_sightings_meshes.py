"""OBJ files of blockers: what is read, and how bad ones are answered."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scatterproof.problems import BadInput
from scatterproof.sightings import meshes
from scatterproof.sightings.meshes import read_obj


@pytest.fixture
def obj(tmp_path):
    def write(text):
        path = tmp_path / "sàet piece.obj"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return path

    return write


def problems_of(path):
    with pytest.raises(BadInput) as caught:
        read_obj(path)
    return [(p.where, p.expected) for p in caught.value.problems]


def test_positions_and_fans(obj):
    vertices, triangles = read_obj(
        obj(
            "# a comment\nmtllib x.mtl\no thing\nv 0 0 0\nv 1 0 0 1.0\nv\t1 1 0 0.5 0.5 0.5\nvn 0 0 1\nvt 0 0\r\n"
            "f 1 2 3 4 5\nv 0 1 0\nv -1 5e-1 0\nf 1/1 2/1/1 3//1\nf -5 -4 -3\n"
        )
    )
    np.testing.assert_array_equal(vertices, [[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0], [-1, 0.5, 0]])
    np.testing.assert_array_equal(triangles, [[0, 1, 2], [0, 2, 3], [0, 3, 4], [0, 1, 2], [0, 1, 2]])


def test_every_bad_line_is_told(obj):
    text = (
        "v 0 0 0\nv 1 nan 0\nv 1 1\nv x 1 1\nf 1 2 3\nf 1 2\nf 1 2 9\nf 0 1 2\nf 1 b 2\nf -5 1 2\nv 1 1 1\nv 1e7 0 0\n"
    )
    found = problems_of(obj(text))
    assert [where for where, _ in found] == [f"line {n}" for n in (2, 3, 4, 12, 6, 7, 8, 9, 10)]
    assert found[6][1] == "vertex numbers 1 to 6 or -1 to -4"


@pytest.mark.parametrize("text", ["", "v 0 0 0\nv 1 0 0\nv 0 1 0\n", b"\x00\xff\xfe" * 50])
def test_nothing_to_read(obj, text):
    assert problems_of(obj(text)) == [("faces", "at least one face (f line)")]


def test_no_flood_of_problems(obj):
    assert len(problems_of(obj("v a b c\n" * 5000))) == meshes.MOST_PROBLEMS


def test_missing_folder_and_too_large(tmp_path, obj, monkeypatch):
    assert problems_of(tmp_path / "none.obj") == [("mesh file", "a readable OBJ file")]
    assert problems_of(tmp_path) == [("mesh file", "a readable OBJ file")]
    assert problems_of(tmp_path / "a\0b.obj") == [("mesh file", "a readable OBJ file")]
    monkeypatch.setattr(meshes, "LARGEST_BYTES", 10)
    assert problems_of(obj("v 0 0 0\nv 1 0 0\n")) == [("size", "at most 10 bytes")]


@given(st.lists(st.text("vf -/.0123456789e\t", max_size=20), max_size=12))
def test_any_text_is_read_or_answered(tmp_path_factory, lines):
    path = tmp_path_factory.getbasetemp() / "fuzz.obj"
    path.write_text("\n".join(lines), encoding="utf-8")
    try:
        vertices, triangles = read_obj(path)
    except BadInput:
        return
    assert np.isfinite(vertices).all()
    assert triangles.min() >= 0
    assert triangles.max() < len(vertices)
