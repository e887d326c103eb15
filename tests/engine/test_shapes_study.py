"""Every marker shape in a plan's own shots: the same counts as a rehearsal, the doubles that a grid must have, and a
page that is well formed whatever the names."""

import json
import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from scatterproof.cli.main import main
from scatterproof.plan import model as m
from scatterproof.plan.templates import example
from scatterproof.readiness.rehearse import rehearse
from scatterproof.readiness.shapes import (
    CORNERED,
    FRAMES,
    GRID,
    PLANNED,
    SAME_PLACES,
    candidates_of,
    study_shapes,
)
from scatterproof.report.shapes import shapes_json, shapes_page
from scatterproof.sightings.need import planned_layout
from scatterproof.stage.layout import CORNER, build_layout
from scatterproof.stage.polygons import signed_area

HOSTILE = '</title></svg><script>alert("1")</script><b a=\'&#0;&\x00'


def a_plan(spacing=0.33, name="wall scatter", **marker):
    return m.Plan(
        name="a plan",
        paints=(m.Paint(name="screen", srgb=(70, 148, 73)), m.Paint(name="marker", srgb=(83, 173, 87))),
        stage=m.Stage(walls=(m.Wall(name="wall", start=(-3, 6), end=(3, 6), height=3),)),
        markers=(m.MarkerSet(name=name, surfaces=("wall",), spacing=spacing, **marker),),
        cameras=(
            m.Camera(name="A", film_back=(24, 18), resolution=(2000, 1500), delivery_aspect=1.78, focal_length=30),
        ),
        shots=(
            m.Shot(
                name="push", camera="A", frames=(1, 24), rate=24, action_point=(0, 4, 1.5),
                move=m.Move(kind="push", start=(0, 0, 1.5), aim=(0, 6, 1.5), distance=0.5),
            ),
        ),
    )  # fmt: skip


@pytest.fixture(scope="module")
def study():
    return study_shapes(a_plan())


def row_of(study, shape, arrangement):
    return next(row for row in study.rows if (row.shape, row.arrangement) == (shape, arrangement))


def test_the_plan_as_it_is_counts_as_in_a_rehearsal(study):
    plan = replace(a_plan(), criteria=m.Criteria(track_frames=1))  # no run is too short
    rehearsal = next(rehearse(plan))
    rows = np.unique(np.linspace(0, 23, FRAMES).round().astype(int))
    corners = (rehearsal.sightings.seen & (rehearsal.layout.features.kind == CORNER))[rows].sum(axis=1)
    own = row_of(study, "", PLANNED)
    assert own.corners == pytest.approx(corners.mean())
    assert own.fewest == corners.min()
    assert study.frames == len(rows)


def test_candidates_have_the_plans_number_and_area_of_markers():
    plan = a_plan()
    layout = planned_layout(plan)

    def areas(of):
        first, outline = of.markers.first, of.markers.outline_uv
        return [abs(float(signed_area(outline[a:b]))) for a, b in pairwise(first)]

    told = list(candidates_of(plan, layout))
    assert len(told) == 1 + 2 * len(CORNERED)
    for _, arrangement, candidate in told[1:]:
        other = build_layout(candidate)
        if arrangement == SAME_PLACES:
            np.testing.assert_allclose(areas(other), areas(layout), rtol=1e-3)
            np.testing.assert_allclose(other.markers.centre_uv, layout.markers.centre_uv, atol=1e-9)
        else:  # a lattice can't have any number of markers
            assert len(areas(other)) == pytest.approx(len(areas(layout)), rel=0.25)
            assert np.mean(areas(other)) == pytest.approx(np.mean(areas(layout)), rel=1e-3)


def test_a_dense_grid_of_one_shape_is_full_of_doubles_and_random_shapes_have_fewer(study):
    crosses, random = row_of(study, "thick cross", GRID), row_of(study, "random", SAME_PLACES)
    assert crosses.doubled_again > 0.9 * crosses.corners
    assert random.doubled_again / random.corners < 0.75 * crosses.doubled_again / crosses.corners
    for row in study.rows:
        assert 0 <= row.doubled <= row.doubled_again <= row.corners
        assert row.jumps <= 0.5 * row.corners
    assert [row.safe for row in study.rows] == sorted((row.safe for row in study.rows), reverse=True)


def test_the_likest_doubles_of_a_plan_are_named_once_each(study):
    alike = [pair.alike for pair in study.mistaken]
    assert alike == sorted(alike, reverse=True)
    assert len({pair.marker for pair in study.mistaken}) == len(study.mistaken) > 0
    assert all(pair.marker.startswith("wall scatter") and 0 <= pair.chance <= 0.5 for pair in study.mistaken)


@pytest.mark.parametrize(
    "plan",
    [
        replace(a_plan(), markers=()),
        replace(a_plan(), shots=()),
        a_plan(shape="disc"),
        replace(a_plan(), paints=tuple(m.Paint(name=name, srgb=(70, 148, 73)) for name in ("screen", "marker"))),
    ],
    ids=["no markers", "no shots", "discs", "no contrast"],
)
def test_plans_with_nothing_to_compare_still_make_a_page(plan):
    study = study_shapes(plan)
    html = shapes_page(plan, study)
    assert not re.search(r"\b(nan|inf)\b", html)
    json.dumps(shapes_json(plan, study), allow_nan=False)


def test_the_page_is_well_formed_whatever_the_names():
    plan = a_plan(name=HOSTILE, spacing=1.2)
    html = shapes_page(plan, study_shapes(plan))
    ET.fromstring(
        html.removeprefix("<!DOCTYPE html>\n").replace(
            '<svg class="defs"', '<svg xmlns="http://www.w3.org/2000/svg" class="defs"'
        )
    )
    assert "<script" not in html


def test_the_verb_writes_page_and_json_and_prints_them(tmp_path, capsys):
    path = tmp_path / "yard.toml"
    path.write_text(example("lantern-yard"), encoding="utf-8")
    assert main(["shapes", str(path), "--shot", "LY030", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told == json.loads((tmp_path / "yard-shapes" / "shapes.json").read_text(encoding="utf-8"))
    assert told["layouts"][0]["safe"] > 0
    assert (tmp_path / "yard-shapes" / "shapes.html").exists()
    assert main(["shapes", str(path), "--shot", "LY999"]) == 2
    assert "LY010" in capsys.readouterr().err
