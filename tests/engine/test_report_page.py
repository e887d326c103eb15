import math
import re
import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest
from report_shots import firm_shot, made_up_shot
from scatterproof.plan import model as m
from scatterproof.readiness.rehearse import rehearse
from scatterproof.report import gate
from scatterproof.report import stage_plan as sp
from scatterproof.report.page import key_frames, page, percent, shot_section

SVG = "{http://www.w3.org/2000/svg}"
HOSTILE = '</title></svg><script>alert("1")</script><b a=\'&#0;&\x00\x1b\ud83d'


def a_plan(name="Paper moons", frames=(1, 30), spacing=0.6, **shot):
    """A floor and a wall with a cove, everything a plan can hold, and a wide lens with distortion and squeeze."""
    camera = m.Camera(name="B camera", film_back=(24.9, 18.7), resolution=(1400, 1680), squeeze=2.0, focal_length=40.0,
                      delivery_aspect=2.39, distortion=(-0.06, 0.02, 0.001, -0.001, 0.0))  # fmt: skip
    push = m.Move(kind="push", start=(0.4, -4.0, 1.7), aim=(0.0, 3.0, 1.3), distance=1.5)
    return m.Plan(
        name=name,
        paints=(
            m.Paint(name="screen", srgb=(70, 148, 73)),
            m.Paint(name="marker", srgb=(59, 126, 61)),
            m.Paint(name="band", linear=(0.6, 0.2, 0.05)),
        ),
        stage=m.Stage(
            floors=(m.Floor(x=(-5, 5), y=(-5, 4)),),
            walls=(m.Wall(name="back wall", start=(-5, 4), end=(5, 4), height=4),),
            coves=(m.Cove(name="cove", between=("floor", "back wall"), radius=0.8),),
            shadows=(m.Shadow(surface="floor", outline=((-1, 0), (1, 0), (0, 1)), factor=0.5),),
        ),
        keepouts=(m.Keepout(name="fire lane", surface="floor", outline=((4, -4), (5, -4), (5, 4), (4, 4))),),
        markers=(m.MarkerSet(name="wall", surfaces=("floor", "back wall", "cove"), spacing=spacing, seed=3),),
        stands=(
            m.Stand(name="left", at=(-1.5, 1.0), height=2.2, bands=(0.6, 1.2, 1.8)),
            m.Stand(name="right", at=(1.6, 2.2), height=2.0, bands=(0.6, 1.2, 1.8)),
        ),
        gear=(m.Gear(name="crate", at=(2.4, 1.5, 0), size=(0.8, 0.6, 0.7), turn=0.4),),
        blockers=(
            m.Blocker(name="walker", keys=(m.PathKey(frame=1, at=(-0.6, 1, 0)), m.PathKey(frame=30, at=(0.9, 1.4, 0)))),
        ),
        cameras=(camera,),
        shots=(m.Shot(**({"name": "push", "camera": "B camera", "frames": frames, "move": push} | shot)),),
    )


def only(plan):
    (rehearsal,) = rehearse(plan)
    return rehearsal


@pytest.fixture(scope="module")
def rehearsal():
    return only(a_plan())


def whole(rehearsals, plan=None):
    rehearsals = list(rehearsals)
    plan = plan or rehearsals[0].plan
    return page(plan, [r.readiness for r in rehearsals], [shot_section(r) for r in rehearsals])


def parsed(html):
    """The page as XML: it is written so that a strict parser takes it."""
    return ET.fromstring(
        html.removeprefix("<!DOCTYPE html>\n").replace('<svg class="defs"', f'<svg xmlns="{SVG[1:-1]}"')
    )


def points_of(data):
    numbers = np.array([float(v) for v in re.findall(r"-?[\d.]+", data)]).reshape(-1, 2)
    return np.cumsum(numbers, axis=0)


# --- the page --------------------------------------------------------------------------------------------------


def test_the_page_is_well_formed_and_needs_nothing_from_elsewhere(rehearsal):
    html = whole([rehearsal])
    tree = parsed(html)
    assert tree.find("body//h2").findtext("bdi") == "push"
    assert "<script" not in html
    assert set(re.findall(r"https?://[^\"'< ]+", html)) <= {"http://www.w3.org/2000/svg"}
    assert not re.search(r"\bsrc(set)?=|@import", html)
    assert not re.search(r'="[^"]*\b(nan|inf)\b', html)


def test_everything_referred_to_is_there_once(rehearsal):
    html = whole([rehearsal, rehearsal])
    ids = re.findall(r"\bid=[\"']([^\"']+)[\"']", html)
    assert len(ids) == len(set(ids))
    assert set(re.findall(r"url\(#([^)]+)\)", html)) | set(re.findall(r"href='#([^']+)'", html)) <= set(ids)


def test_names_are_data():
    plan = a_plan(name=HOSTILE, frames=(1, 9), wants=HOSTILE)
    plan = replace(
        plan,
        note=HOSTILE,
        stands=tuple(replace(stand, name=HOSTILE) for stand in plan.stands),
        blockers=tuple(replace(blocker, name=HOSTILE) for blocker in plan.blockers),
        keepouts=tuple(replace(keepout, name=HOSTILE) for keepout in plan.keepouts),
        shots=(replace(plan.shots[0], name=HOSTILE),),
    )
    html = whole(rehearse(plan))
    html.encode("utf-8")
    tree = parsed(html)
    assert "<script" not in html
    assert tree.findtext("body//h1/bdi").startswith("</title></svg><script>alert")


def test_the_shares_never_round_to_all_or_nothing():
    assert [percent(n, 1000) for n in (0, 1, 500, 999, 1000)] == ["0 %", "1 %", "50 %", "99 %", "100 %"]


def test_key_frames_are_the_worst_the_typical_and_the_best_once_each():
    chosen = key_frames(made_up_shot([0, 0, 2, 0, 1]))
    assert [(letter, what) for letter, what, _ in chosen] == [("A", "worst"), ("B", "typical"), ("C", "firmest")]
    rows = [row for *_, row in chosen]
    assert rows[0] == 2
    assert len(set(rows)) == 3
    assert key_frames(firm_shot(1)) == [("A", "only", 0)]
    assert len(key_frames(firm_shot(2))) == 2


def test_a_large_shot_stays_small_on_disk():
    plan = a_plan(frames=(1, 1000), spacing=0.4)
    small_markers = (replace(plan.markers[0], layout="grid", size=(0.06, 0.09)),)
    large = only(replace(plan, markers=small_markers, blockers=()))
    assert len(large.layout.markers.name) > 600
    assert len(shot_section(large)) < 500_000


# --- what the gate sees ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("row", [0, 17])
def test_markers_lie_under_their_features(rehearsal, row):
    """Drawn outlines against the sightings' own projection, through distortion and squeeze."""
    view = gate.view_of(rehearsal.track, row, 800.0)
    markers, features, sightings = rehearsal.layout.markers, rehearsal.layout.features, rehearsal.sightings
    compared = 0
    for i in range(len(markers.name)):
        corners = np.flatnonzero(features.owner == i)
        if not gate.in_gate(rehearsal, row)[corners].all():
            continue
        (data,) = gate.paths(view, [markers.outline_m[markers.first[i] : markers.first[i + 1]]])
        drawn, wanted = points_of(data), (sightings.uv_px[row, corners] + 0.5) * view.scale
        gap = np.linalg.norm(drawn[None] - wanted[:, None], axis=-1).min(axis=1)
        assert gap.max() < 0.1
        compared += 1
    assert compared > 20


def test_the_picture_has_the_gate_s_shape_unsqueezed(rehearsal):
    view = gate.view_of(rehearsal.track, 0, 800.0)
    assert view.width / view.height == pytest.approx(2 * 24.9 / 18.7, rel=1e-6)


def test_every_feature_in_the_gate_is_marked_once(rehearsal):
    row = 12
    svg = ET.fromstring(gate.gate_picture(rehearsal, row, 800.0))
    marks = {path.get("class"): path.get("d") for path in svg.findall(f"{SVG}path") if path.get("class")}
    rings, crosses = (next(data for name, data in marks.items() if name.startswith(what)) for what in ("ring", "cross"))
    seen = rehearsal.sightings.seen[row]
    assert len(re.findall(r"[\d.]+", rings)) == 2 * seen.sum()
    assert len(re.findall(r"[\d.]+", crosses)) == 2 * (gate.in_gate(rehearsal, row) & ~seen).sum()


def test_nothing_is_drawn_far_outside_the_gate(rehearsal):
    svg = ET.fromstring(gate.gate_picture(rehearsal, 5, 800.0))
    width, height = map(float, svg.get("viewBox").split()[2:])
    for path in svg.iter(f"{SVG}path"):
        if path.get("class") or path.get("fill") in (None, "none"):
            continue
        for part in re.findall(r"M[^M]+", path.get("d")):
            x, y = points_of(part.replace("z", "")).T
            assert x.min() > -0.1 * width
            assert x.max() < 1.1 * width
            assert y.min() > -0.1 * height
            assert y.max() < 1.1 * height


def square(centre, normal, half=1.0, plane=True):
    """A square item about a centre."""
    centre, normal = np.array(centre, float), np.array(normal, float)
    a = np.cross(normal, [0.3, 0.5, 0.8])
    a /= np.linalg.norm(a)
    b = np.cross(normal, a)
    points = centre + half * np.array([a + b, b - a, -a - b, a - b])
    return gate.Item(points, np.append(normal, -normal @ centre) if plane else None, "")


def test_a_panel_comes_after_the_floor_it_stands_on_and_before_what_stands_before_it():
    """The floor reaches nearer to the eye than the panel and its middle lies nearer too; depth alone would fail."""
    floor = square((0, 2, 0), (0, 0, 1), 5.0)
    panel = square((0, 5, 1), (0, -1, 0))
    performer = square((0, 4, 1), (0, -1, 0), 0.3, plane=False)
    behind = square((0, 6, 1), (0, -1, 0), 0.3, plane=False)
    order = gate.painting_order([performer, panel, floor, behind], np.array([0, -3, 1.5]))
    assert order == [2, 3, 1, 0]


def test_a_wall_seen_from_behind_hides_the_stage():
    plan = a_plan(frames=(1, 2), move=m.Move(kind="hold", start=(0, 9, 1.5), aim=(0, 0, 1.0)))
    svg = ET.fromstring(gate.gate_picture(only(plan), 0, 800.0))
    fills = [path.get("fill") for path in svg.findall(f"{SVG}path")]
    assert gate.BACK in fills


def test_a_camera_inside_a_performer_or_a_turned_head_draws_without_complaint():
    for start, aim in (((0, 1.2, 1.2), (0, 4, 1)), ((0, 0, 1.5), (0, 0, 0)), ((0, 0, 1), (0.1, -9, 30))):
        blocker = m.Blocker(name="walker", size=(1.2, 1.2, 2.0), at=(0, 1.2, 0))
        plan = a_plan(frames=(1, 3), move=m.Move(kind="hold", start=start, aim=aim))
        html = whole(rehearse(replace(plan, blockers=(blocker,))))
        parsed(html)
        assert not re.search(r'="[^"]*\b(nan|inf)\b', html)


# --- the stage -------------------------------------------------------------------------------------------------


def test_upstage_is_up_and_right_is_right(rehearsal):
    across, up = np.array([1.0, 0, 0]), np.array([0, 1.0, 0])
    sheet = sp._sheet(rehearsal, across, up)
    left, right = sheet(np.array([[-1.5, 1.0, 0], [1.6, 2.2, 0]]))
    assert right[0] - left[0] == pytest.approx(3.1 * sheet.scale)
    assert left[1] - right[1] == pytest.approx(1.2 * sheet.scale)


def test_the_elevation_is_seen_from_where_the_camera_s_line_lies_square(rehearsal):
    assert [caption for caption, _ in sp.stage_views(rehearsal)][1].startswith("Elevation from the right")
    sideways = only(a_plan(frames=(1, 2), move=m.Move(kind="hold", start=(-4, 0, 1.5), aim=(4, 1, 1.0))))
    assert [caption for caption, _ in sp.stage_views(sideways)][1] == "Elevation from the audience"


@pytest.mark.parametrize(("unit", "size"), [("m", "10 m"), ("ft", "32' 9 11/16\""), ("cm", "1000 cm")])
def test_sizes_are_told_in_the_plan_s_units(rehearsal, unit, size):
    told = replace(rehearsal, plan=replace(rehearsal.plan, units=unit))
    svg = ET.fromstring(sp.stage_views(told)[0][1])
    assert size in [text.text for text in svg.iter(f"{SVG}text")]


def test_the_scale_bar_is_round_and_true(rehearsal):
    sheet = sp._sheet(rehearsal, np.array([1.0, 0, 0]), np.array([0, 1.0, 0]))
    bar = ET.fromstring(f"<g>{sp.scale_bar('ft', sheet)}</g>")
    length_ft = sum(float(rect.get("width")) for rect in bar.findall("rect")) / sheet.scale / 0.3048
    assert bar.findtext("text") == f"{round(length_ft)}'"
    assert math.isclose(length_ft, round(length_ft), abs_tol=1e-3)


def test_an_almost_empty_plan_still_makes_a_page():
    full = a_plan(frames=(1, 3))
    bare = replace(full, markers=(), stands=(), gear=(), blockers=(), keepouts=(), paints=())
    for plan in (bare, replace(bare, stage=m.Stage()), replace(bare, stands=full.stands[:1])):
        html = whole(rehearse(plan))
        parsed(html)
        assert "Lost: every frame." in html
