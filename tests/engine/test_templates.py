"""The templates keep what their comments promise."""

from __future__ import annotations

import math
import re
from functools import cache
from itertools import product

import numpy as np
import pytest
from scatterproof.camera.track import delivery_frame
from scatterproof.plan.model import SHAPES, Plan
from scatterproof.plan.paint import linear_of
from scatterproof.plan.read import parse_plan
from scatterproof.plan.templates import KINDS, about_template, compose, example, template_names, template_text
from scatterproof.readiness.rehearse import Rehearsal, rehearse
from scatterproof.readiness.verdict import FIRM, LOST, THIN
from scatterproof.sightings.sighting import HIDDEN, SEEN
from scatterproof.stage.layout import Layout, build_layout
from scatterproof.stage.surfaces import area_m2, build_surfaces, to_surface

STAGES, CAMERAS, MARKERS, MOVES, PLANS = (
    template_names(kind) for kind in ("stages", "cameras", "markers", "moves", "plans")
)
ROOMS = tuple(name for name in STAGES if name != "tabletop")


@cache
def composed(stage: str, camera: str = "super35-4perf", markers: str = "", moves: tuple[str, ...] = MOVES) -> Plan:
    return parse_plan(compose(name="try", stage=stage, camera=camera, markers=markers.split(), moves=moves)).plan


@cache
def example_plan(name: str) -> Plan:
    file = parse_plan(example(name))
    assert not file.warnings
    return file.plan


def every_plan() -> list[Plan]:
    return [*(composed(stage, markers=" ".join(MARKERS)) for stage in STAGES), *map(example_plan, PLANS)]


@cache
def rehearsed(name: str) -> dict[str, Rehearsal]:
    return {each.shot.name: each for each in rehearse(example_plan(name))}


def shot(name: str) -> Rehearsal:
    plan = {"LY": "lantern-yard", "MB": "moonrise-basin", "CA": "clockwork-attic"}[name[:2]]
    return rehearsed(plan)[name]


def codes(rehearsal: Rehearsal) -> set[str]:
    """Codes of what is told first in the frames that are not firm."""
    readiness = rehearsal.readiness
    return {reasons[0].code for state, reasons in zip(readiness.state, readiness.reasons, strict=True) if state != FIRM}


def test_there_are_as_many_as_promised() -> None:
    least = {"stages": 5, "cameras": 4, "moves": 8, "markers": 5, "plans": 3}
    assert {kind: len(template_names(kind)) >= least[kind] for kind in KINDS} == dict.fromkeys(KINDS, True)


@pytest.mark.parametrize("kind", KINDS)
def test_every_template_says_in_one_line_what_it_is(kind: str) -> None:
    lines = {name: about_template(kind, name) for name in template_names(kind)}
    assert all(10 < len(line) <= 120 for line in lines.values())
    assert len(set(lines.values())) == len(lines)
    for name in lines:
        assert all(len(line) <= 120 for line in template_text(kind, name).splitlines()), name


@pytest.mark.parametrize("stage", STAGES)
def test_every_stage_goes_with_every_camera_marker_set_and_move(stage: str) -> None:
    for camera in CAMERAS:
        text = compose(name="try", stage=stage, camera=camera, markers=MARKERS, moves=MOVES)
        file = parse_plan(text)
        assert not file.warnings
        assert '"*' not in text
        assert len(file.plan.shots) == len(MOVES)
        assert len(file.plan.markers) == len(MARKERS)


@pytest.mark.parametrize(("stage", "markers"), [*product(ROOMS, MARKERS), ("tabletop", "tabletop-small")])
def test_every_marker_set_finds_room_on_every_stage(stage: str, markers: str) -> None:
    layout = build_layout(composed(stage, markers=markers))
    flats = [row for row, surface in enumerate(layout.surfaces) if not surface.radius_m]
    used = set(layout.markers.surface.tolist())
    if markers != "floor-scatter":
        assert used >= {row for row in flats if layout.surfaces[row].kind == "wall"}
    if markers not in ("wall-scatter", "crosses-grid"):
        assert used >= {row for row in flats if layout.surfaces[row].kind == "floor"}
    assert not layout.notes


def test_markers_fill_every_part_of_a_floor_and_wall() -> None:
    """No quarter of a surface has less than half, or more than twice, its share of the scatter."""
    for plan in map(example_plan, PLANS):
        layout = build_layout(plan)
        for row, surface in enumerate(layout.surfaces):
            uv = layout.markers.centre_uv[layout.markers.surface == row]
            if surface.radius_m or len(uv) < 16:
                continue
            low, high = surface.outline_uv.min(axis=0), surface.outline_uv.max(axis=0)
            counts = np.histogramdd(uv, bins=(2, 2), range=list(zip(low, high, strict=True)))[0]
            share = counts / len(uv)
            assert share.min() > 0.125, (plan.name, surface.name, counts)
            assert share.max() < 0.5, (plan.name, surface.name, counts)


def test_stages_have_what_the_job_asks_for() -> None:
    stages = {name: composed(name).stage for name in STAGES}
    assert len(stages["wall-and-floor"].walls) == 1
    assert len(stages["corner"].walls) == 2
    assert len(stages["three-wall"].walls) == 3
    assert all(stages[name].coves for name in STAGES)
    floor = stages["large-cyclorama"].floors[0]
    assert floor.x[1] - floor.x[0] >= 18
    assert floor.y[1] - floor.y[0] >= 12
    assert stages["tabletop"].floors[0].z == 0.9


def test_keepouts_lie_on_what_is_left_of_their_surfaces() -> None:
    for plan in every_plan():
        assert plan.keepouts
        surfaces = {surface.name: surface for surface in build_surfaces(plan.stage)}
        for keepout in plan.keepouts:
            outline, low_high = np.array(keepout.outline), surfaces[keepout.surface].outline_uv
            assert (outline >= low_high.min(axis=0) - 1e-9).all(), (plan.name, keepout.name)
            assert (outline <= low_high.max(axis=0) + 1e-9).all(), (plan.name, keepout.name)


def test_stands_and_gear_stand_on_the_floor_clear_of_keepouts_walls_and_each_other() -> None:
    for plan in every_plan():
        floor = next(surface for surface in build_surfaces(plan.stage) if surface.kind == "floor")
        low, high = floor.outline_uv.min(axis=0), floor.outline_uv.max(axis=0)
        ground = plan.stage.floors[0].z
        lanes = [np.array(k.outline) for k in plan.keepouts if k.surface == floor.name]
        feet = [(stand.name, np.array(stand.at), 0.1, stand.base) for stand in plan.stands]
        feet += [(gear.name, np.array(gear.at[:2]), math.hypot(*gear.size[:2]) / 2, gear.at[2]) for gear in plan.gear]
        for row, (name, at, reach, base) in enumerate(feet):
            assert base == pytest.approx(ground), name
            assert (at - reach > low).all(), name
            assert (at + reach < high).all(), name
            for lane in lanes:  # all are boxes
                assert (np.maximum(lane.min(axis=0) - at, at - lane.max(axis=0)) > 0).any(), name
            for _, other, other_reach, _ in feet[:row]:
                assert math.dist(at, other) > reach + other_reach, name


def test_performers_stand_on_the_floor_and_nobody_walks_through_gear_or_somebody_else() -> None:
    for rehearsal in (rehearsal for name in PLANS for rehearsal in rehearsed(name).values()):
        plan = rehearsal.plan
        floor = next(surface for surface in rehearsal.layout.surfaces if surface.kind == "floor")
        low, high = floor.outline_uv.min(axis=0), floor.outline_uv.max(axis=0)
        paths = {each.name: each.centre_m for each in rehearsal.occluders}
        blockers = [blocker for blocker in plan.blockers if blocker.name in paths]
        for row, blocker in enumerate(blockers):
            path, reach = paths[blocker.name], max(blocker.size[:2]) / 2
            assert path[:, 2] == pytest.approx(blocker.size[2] / 2), blocker.name
            assert ((path[:, :2] - reach > low) & (path[:, :2] + reach < high)).all(), blocker.name
            for stand in plan.stands:
                assert np.linalg.norm(path[:, :2] - stand.at, axis=1).min() > reach, (blocker.name, stand.name)
            for gear in plan.gear:
                cos, sin = math.cos(gear.turn), math.sin(gear.turn)
                own = np.abs((path[:, :2] - gear.at[:2]) @ np.array([[cos, -sin], [sin, cos]]))
                gap = np.linalg.norm(np.maximum(own - np.array(gear.size[:2]) / 2, 0), axis=1)
                assert gap.min() > reach, (blocker.name, gear.name)
            for other in blockers[:row]:
                gap = np.linalg.norm(path[:, :2] - paths[other.name][:, :2], axis=1) - max(other.size[:2]) / 2
                assert gap.min() > reach, (blocker.name, other.name)


def test_the_camera_stays_clear_of_walls_floor_and_gear() -> None:
    for name in PLANS:
        for rehearsal in rehearsed(name).values():
            eye = rehearsal.track.centre_m
            assert not [note for note in rehearsal.notes if "behind" in note]
            assert eye[:, 2].min() > 0.5
            for gear in rehearsal.plan.gear:
                away = np.linalg.norm(eye[:, :2] - gear.at[:2], axis=1)
                assert away.min() > math.hypot(*gear.size[:2]) / 2 + 0.3, (rehearsal.shot.name, gear.name)
            for stand in rehearsal.plan.stands:
                away = np.linalg.norm(eye[:, :2] - stand.at, axis=1)
                assert away.min() > 0.5, (rehearsal.shot.name, stand.name)


def test_markers_are_half_a_stop_from_their_screen_and_bands_far_from_it_in_colour() -> None:
    """Half a stop is a factor of the square root of two in linear light; 8-bit codes round it by a few hundredths."""
    for plan in every_plan():
        paints = {paint.name: linear_of(paint) for paint in plan.paints}
        screen = paints[plan.stage.paint]
        for name, paint in paints.items():
            if name.startswith("marker"):
                stops = np.log2(paint / screen)
                np.testing.assert_allclose(stops, -0.5 if "dark" in name else 0.5, atol=0.04, err_msg=plan.name)
        assert paints["band"][0] > 2 * paints["band"][1], "redder than green"


@pytest.mark.parametrize(
    ("name", "back_mm", "aspect"),
    [
        # 0.980 x 0.735 and 0.866 x 0.732 in: open format tables of 4-perf gates (ISO 2906 styles C and B), to 0.05 mm.
        ("super35-4perf", (0.980 * 25.4, 0.735 * 25.4), 1.85),
        ("scope-from-full-gate", (0.980 * 25.4, 0.735 * 25.4), 2.39),
        ("squeezed-2x", (0.866 * 25.4, 0.732 * 25.4), 2.39),
        # 36 x 24 mm: the format of 35 mm still photography (from memory: ISO 1007).
        ("full-frame", (36, 24), 16 / 9),
    ],
)
def test_camera_packages_have_the_published_dimensions(name: str, back_mm: tuple[float, float], aspect: float) -> None:
    camera = composed("wall-and-floor", name).cameras[0]
    assert camera.film_back == pytest.approx(back_mm, abs=0.05)
    assert camera.delivery_aspect == pytest.approx(aspect)
    across, up = (pixels / size for pixels, size in zip(camera.resolution, camera.film_back, strict=True))
    assert across == pytest.approx(up, rel=1e-3), "square pixels in the gate"
    (left, top, right, bottom), scale = delivery_frame(camera)
    width_mm, height_mm = (right - left) / across, (bottom - top) / up
    assert width_mm * camera.squeeze / height_mm == pytest.approx(aspect, rel=1e-3)
    assert scale == pytest.approx(camera.delivery_width / (right - left))
    if name == "scope-from-full-gate":
        assert height_mm == pytest.approx(10.4151, abs=0.01)  # 24.892 / 2.39


def test_moves_do_what_their_names_say() -> None:
    kinds = {name: composed("wall-and-floor", moves=(name,)).shots[0].move for name in MOVES}
    assert {move.kind for move in kinds.values() if move} >= {"push", "pull", "dolly", "crane", "arc", "pan", "tilt"}
    assert kinds["hand-held"] is not None
    assert kinds["hand-held"].wander is not None


@pytest.mark.parametrize("stage", ROOMS)
def test_room_stages_solve_every_move_at_once(stage: str) -> None:
    """With even scatters on walls and floor: no frame lost; all firm but for the unrest of the hand-held one."""
    plan = composed(stage, markers="wall-scatter floor-scatter")
    for each in rehearse(plan):
        readiness = each.readiness
        assert readiness.share(LOST) == 0, each.shot.name
        assert readiness.share(FIRM) >= (0.85 if each.shot.name == "hand-held" else 1.0), each.shot.name
        assert readiness.rotation_only == (each.shot.name in ("nodal pan", "tilt"))
        assert not [note for note in each.notes if "behind" in note]


def test_the_examples_say_of_every_shot_how_it_ends() -> None:
    """The list at the head of each plan names its shots in order with their verdicts, and these are so."""
    for name in PLANS:
        told = re.findall(r"^#   ([A-Z]{2}\d{3})  .*?  +(firm|thin|lost)\b", example(name), re.MULTILINE)
        assert [shot for shot, _ in told] == [shot.name for shot in example_plan(name).shots]
        for shot_name, word in told:
            readiness = shot(shot_name).readiness
            if word == "thin":
                assert readiness.share(THIN) >= 0.15
                assert readiness.share(LOST) == 0
            else:
                assert readiness.share(FIRM if word == "firm" else LOST) >= 0.95, shot_name


def test_the_wide_push_is_firm() -> None:
    readiness = shot("LY010").readiness
    assert readiness.share(FIRM) == 1
    assert readiness.features.min() > 100
    assert readiness.out_of_plane_sigma.min() > 100


def test_the_close_push_is_lost_for_the_right_reason_and_two_stands_mend_it() -> None:
    without, with_stands = shot("LY020"), shot("LY030")
    assert without.readiness.share(LOST) == 1
    assert codes(without) == {"one_plane"}
    assert without.readiness.features.min() >= 2 * 12, "it is not for want of features"
    assert (without.readiness.depths == 1).all()
    assert with_stands.readiness.share(FIRM) == 1
    # The same but for the place: the only features off the wall are bands of the two stands.
    for key in ("camera", "focal_length", "frames", "rate"):
        assert getattr(without.shot, key) == getattr(with_stands.shot, key)
    assert without.shot.move is not None
    assert with_stands.shot.move is not None
    assert without.shot.move.distance == with_stands.shot.move.distance
    assert np.ptp(without.track.world_from_cam[:, :3, :3] - with_stands.track.world_from_cam[:, :3, :3]) < 1e-12
    assert owners_off_the_wall(without) == set()
    assert owners_off_the_wall(with_stands) == {"stand left", "stand right"}


def owners_off_the_wall(rehearsal: Rehearsal) -> set[str]:
    layout = rehearsal.layout
    ever = rehearsal.sightings.seen.any(axis=0)
    wall = next(row for row, surface in enumerate(layout.surfaces) if surface.name == "back wall")
    off = ever & (layout.features.surface != wall)
    return {layout.owner_names[owner] for owner in layout.features.owner[off]}


def test_nodal_moves_are_known_as_such() -> None:
    for name in ("LY040", "CA010"):
        readiness = shot(name).readiness
        assert readiness.rotation_only
        assert readiness.share(FIRM) == 1
    travelling = [r for plan in PLANS for n, r in rehearsed(plan).items() if n not in ("LY040", "CA010")]
    assert not any(rehearsal.readiness.rotation_only for rehearsal in travelling)


def test_the_crane_rises_over_a_performer_who_hides_half_of_the_floor() -> None:
    crane = shot("MB010")
    assert crane.readiness.share(FIRM) == 1
    why = crane.sightings.why[:, on_floor(crane.layout)]
    hidden, seen = (why == HIDDEN).sum(axis=1), (why == SEEN).sum(axis=1)
    share = hidden / (hidden + seen)
    assert (share[:18] > 0.45).all()
    assert share[:18].mean() > 0.5
    assert share[-18:].max() < 0.15, "from above the floor is open"
    assert np.ptp(crane.track.centre_m[:, 2]) > 2


def on_floor(layout: Layout) -> np.ndarray:
    floor = next(row for row, surface in enumerate(layout.surfaces) if surface.kind == "floor")
    mask: np.ndarray = layout.features.surface == floor
    return mask


def test_the_run_is_lost_to_blur_and_a_calmer_rig_with_a_shorter_exposure_mends_it() -> None:
    fast, calm = shot("MB030"), shot("MB040")
    assert fast.readiness.share(LOST) >= 0.95
    assert codes(fast) == {"blur"}
    assert calm.readiness.share(FIRM) >= 0.95


def test_one_shot_runs_thin_for_want_of_features() -> None:
    thin = shot("CA050")
    assert thin.readiness.share(THIN) >= 0.15
    assert codes(thin) == {"features", "drift"}  # few corners are left, and the insert drifts for it
    assert thin.readiness.state[0] == FIRM


def test_one_example_is_large_and_one_in_feet() -> None:
    large = build_layout(example_plan("moonrise-basin"))
    assert len(large.markers.name) >= 400
    floor = next(surface for surface in large.surfaces if surface.kind == "floor")
    assert area_m2(floor) > 200
    attic = example_plan("clockwork-attic")
    assert attic.units == "ft"
    assert attic.stage.walls[0].height == pytest.approx(14 * 0.3048)
    assert re.search(r"\d' \d", example("clockwork-attic")), "feet and inches"


def test_action_points_are_in_the_delivery_frame_or_on_the_floor_below_it() -> None:
    """Somewhere between the start and the end of every shot the camera looks over its action point."""
    for name in PLANS:
        for rehearsal in rehearsed(name).values():
            turned = rehearsal.track.world_from_cam
            away = np.array(rehearsal.shot.action_point) - rehearsal.track.centre_m
            x, _, depth = np.einsum("fji,fj->if", turned[:, :3, :3], away)
            assert (depth > 1).all(), rehearsal.shot.name
            half = rehearsal.track.size_px[0] / 2 / rehearsal.track.focal_px[:, 0]
            assert (np.abs(x / depth) < half).any(), rehearsal.shot.name


def test_shapes_of_marker_sets_differ() -> None:
    sets = [composed("wall-and-floor", markers=name).markers[0] for name in MARKERS]
    assert {each.shape for each in sets} >= {"random", "thick cross", "disc"}
    assert {each.layout for each in sets} >= {"scatter", "grid"}
    assert all(each.shape in SHAPES for each in sets)


def test_surface_coordinates_of_wall_keepouts_are_where_their_comments_say() -> None:
    """The right return's coordinates begin upstage: its sign hangs at the downstage end, over no cove."""
    plan = composed("large-cyclorama")
    surfaces = {surface.name: surface for surface in build_surfaces(plan.stage)}
    sign = next(k for k in plan.keepouts if k.name == "alarm and exit sign")
    downstage = to_surface(surfaces["right return"], np.array([10.0, -1.0, 2.0]))
    assert np.abs(np.array(sign.outline)[:, 0] - downstage[0]).max() <= 1.2 + 1e-9
