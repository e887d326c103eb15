"""The overlay's memory without a window: what it notices, what it shows, and that it ends where a rehearsal would."""

import bpy
import numpy as np
import pytest
from scatterproof.readiness.verdict import FIRM, LOST, THIN
from scatterproof.sightings.sighting import HIDDEN, OUTSIDE, SEEN, SHORT
from scatterproof.steps import finish
from scatterproof_addon.bridge import tags
from scatterproof_addon.flows import staging
from scatterproof_addon.overlay import live as live_module
from scatterproof_addon.overlay import picture, watch
from scatterproof_addon.overlay.live import LIVES, new_live
from scatterproof_addon.overlay.picture import STALE


@pytest.fixture
def live(scene):
    staging.build_from_template(scene, "plans", "lantern-yard")
    return rehearsed(scene)


def rehearsed(scene):
    seen = finish(staging.look(scene))
    made = new_live(scene, seen.read, seen.solids, seen.folder, finish(staging.rehearse_scene(scene)))
    LIVES.kept[scene.session_uid] = made
    return made


@pytest.fixture(autouse=True)
def forgotten():
    yield
    LIVES.forget()
    staging.STORE.forget()


def work(live, scene):
    while name := live.work():
        live.go_on(scene, name)


def states(live, shot):
    return live.shots[shot].rehearsal.readiness.state


def go(scene, frame):
    scene.frame_set(frame)
    return scene


def test_nothing_is_noticed_where_nothing_has_changed(live, scene):
    assert not live.notice(scene) or not any(shot.stale for shot in live.shots.values())
    first = min(place.offset + live.shots[n].shot.frames[0] for n, place in live.places.items())
    for frame in (first, first + 20, first + 1):
        live.notice(go(scene, frame))
        assert not any(shot.stale for shot in live.shots.values())
        assert not live.unkeyed
        assert live.view.note.head.startswith(("FIRM", "THIN", "LOST"))


def test_a_dragged_stand_is_followed_to_what_a_rehearsal_says(live, scene):
    stand = tags.tagged(scene, "stand")[0]
    stand.location.x += 0.8
    bpy.context.view_layer.update()
    before = {n: s.rehearsal.readiness for n, s in live.shots.items()}
    assert live.notice(scene)
    assert all(shot.stale for shot in live.shots.values())
    assert all((bar == STALE).all() for _, bar in live.view.bars)
    assert live.view.note.state in (STALE, LOST)
    work(live, scene)
    assert not any(shot.stale for shot in live.shots.values())
    anew = {r.shot.name: r for r in finish(staging.rehearse_scene(scene))}
    different = False
    for name, shot in live.shots.items():
        found, wanted = shot.rehearsal, anew[name]
        np.testing.assert_array_equal(found.readiness.state, wanted.readiness.state)
        np.testing.assert_array_equal(found.sightings.why, wanted.sightings.why)
        different |= bool((found.readiness.out_of_plane_sigma != before[name].out_of_plane_sigma).any())
    assert different


def test_the_frame_in_view_is_sighted_at_once(live, scene):
    name = live.view.shot
    stand = tags.tagged(scene, "stand")[0]
    stand.location.y += 0.5
    bpy.context.view_layer.update()
    live.notice(scene)
    glanced, row = live.glance[1].sightings, live.glance[1].row
    work(live, scene)
    whole = live.shots[name].rehearsal.sightings
    np.testing.assert_array_equal(glanced.uv_px[0], whole.uv_px[row])
    same = (glanced.why[0] == whole.why[row]) | (np.minimum(glanced.why[0], whole.why[row]) == SEEN)
    assert same.all()  # but for the length of runs
    assert set(np.unique(glanced.why[0] != whole.why[row])) <= {False, True}
    assert ((glanced.why[0] == SEEN) & (whole.why[row] == SHORT)).mean() < 0.02


@pytest.mark.parametrize("keyed", [True, False])
def test_a_dragged_camera(live, scene, keyed):
    name = live.view.shot
    camera = live.places[name].camera
    go(scene, scene.frame_current + 5)
    live.notice(scene)
    camera.location.x += 0.5
    bpy.context.view_layer.update()
    if keyed:
        camera.keyframe_insert("location", frame=scene.frame_current)
    assert live.notice(scene)
    if keyed:
        assert live.shots[name].stale
        assert not live.unkeyed
        work(live, scene)
        row = live.place(scene)[1]
        at = live.shots[name].rehearsal.track.centre_m[row]
        np.testing.assert_allclose(at, np.array(camera.matrix_world)[:3, 3], atol=1e-4)
        wanted = next(r for r in finish(staging.rehearse_scene(scene)) if r.shot.name == name)
        np.testing.assert_allclose(
            live.shots[name].rehearsal.track.world_from_cam, wanted.track.world_from_cam, atol=2e-4
        )
        assert (states(live, name) != wanted.readiness.state).mean() <= 0.02  # single precision at a limit
    else:
        assert not live.shots[name].stale
        assert live.unkeyed
        assert live.view.note.lines[-1] == live_module.UNKEYED
        assert [int((bar == STALE).sum()) for _, bar in live.view.bars if (bar == STALE).any()] == [1]


def test_what_cannot_be_followed_is_out_of_date_and_says_so(live, scene):
    wall = tags.tagged(scene, "wall")[0]
    wall.location.y += 0.3
    bpy.context.view_layer.update()
    live.notice(scene)
    assert not live.work()
    assert live.view.note.state == STALE
    assert wall.name in live.view.note.lines[0]
    assert "rehearse again" in live.view.note.lines[0]
    assert live.view.rings is None


def test_cameras_and_stands_may_be_deleted_or_renamed(live, scene):
    stand, camera = tags.tagged(scene, "stand")[0], live.places[live.view.shot].camera
    bpy.data.objects.remove(stand)
    live.notice(scene)
    work(live, scene)
    assert not any(shot.stale for shot in live.shots.values())
    camera.name = "Another name"
    live.notice(scene)
    assert all(shot.stale for shot in live.shots.values())
    bpy.data.objects.remove(camera)
    live.notice(scene)
    for thing in list(bpy.data.objects):
        bpy.data.objects.remove(thing)
    live.notice(scene)
    assert live.view is None


def test_a_cleared_scene_is_forgotten(live, scene):
    scene.pop(tags.PLAN)
    assert LIVES.of(scene) is None


def test_handlers_come_and_go():
    listening = {name: len(getattr(bpy.app.handlers, name)) for name in watch.HANDLERS}
    watch.register()
    assert all(len(getattr(bpy.app.handlers, name)) == count + 1 for name, count in listening.items())
    watch.unregister()
    assert {name: len(getattr(bpy.app.handlers, name)) for name in watch.HANDLERS} == listening


def test_rings_tell_all_some_and_none_apart(live):
    rehearsal = live.shots[live.view.shot].rehearsal
    layout = rehearsal.layout
    marker = np.flatnonzero(np.bincount(layout.features.owner)[: len(layout.markers.name)] >= 3)[:4]
    why = np.full(len(layout.features), OUTSIDE, np.uint8)
    own = [np.flatnonzero(layout.features.owner == m) for m in marker]
    why[own[0]] = SEEN
    why[own[1]] = [SEEN, *[SHORT] * (len(own[1]) - 1)]
    why[own[2]] = HIDDEN
    why[own[3]] = SHORT
    rings = picture.rings_of(layout, why, rehearsal.track.centre_m[0])
    assert rings.state.tolist() == [FIRM, THIN, LOST, LOST]
    assert rings.faint.tolist() == [False, False, True, False]
    away = np.linalg.norm(rings.centre_m - layout.markers.centre_m[marker], axis=1)
    assert (away < 0.05).all()
    table, triangles = rings.quads()
    assert {len(values) for values in table.values()} == {16}
    assert triangles.shape == (8, 3)
    assert triangles.max() == 15


def test_the_strip_has_a_bar_per_run_and_ticks_where_it_is_stale():
    bars = picture.strip_bars(10, np.array([FIRM, FIRM, LOST, STALE, STALE, THIN]))
    order = np.argsort(bars.box[:, 0])
    assert bars.state[order].tolist() == [FIRM, LOST, STALE, STALE, THIN]
    assert bars.box[order][:, [0, 2]].tolist() == [[10, 12], [12, 13], [13, 13.5], [14, 14.5], [15, 16]]
    place, colour = bars.triangles()
    assert place.shape == (30, 2)
    np.testing.assert_allclose(colour[0, :3] * 255, [0x00, 0x72, 0xB2])  # Okabe and Ito, 2008


def test_words_break_where_they_no_longer_fit():
    assert picture.wrapped("one two three", 7, len) == ["one two", "three"]
    assert picture.wrapped("immeasurable", 3, len) == ["immeasurable"]


def test_squares_grow_with_what_a_stand_helps_and_are_missing_where_none_may_be():
    places = np.array([[0.0, 0, 0], [1, 0, 0], [2, 0, 0.5], [3, 0, 0]])
    points, colour = picture.heat_quads(places, 0.4, np.array([1.0, np.nan, 0.5, 0.01]))
    first, second = points[:6], points[6:]
    assert points.shape == (12, 3)
    assert np.ptp(first[:, 0]) == pytest.approx(0.36)
    assert np.ptp(second[:, 0]) == pytest.approx(0.24)
    assert np.allclose(first.mean(axis=0)[:2], [0, 0])
    assert np.allclose(second[:, 2], 0.51)
    assert colour[0, 3] > colour[6, 3]


def test_the_map_of_the_floor_comes_goes_and_goes_with_the_first_change(live, scene):
    assert live.view.heat is None
    live.toggle_heat(scene)
    assert live.view.heat.shot == live.view.shot
    assert live.view.note.lines[-1] == live_module.HEAT
    live.toggle_heat(scene)
    assert live.view.heat is None
    live.toggle_heat(scene)
    tags.tagged(scene, "stand")[0].location.x += 0.3
    bpy.context.view_layer.update()
    live.notice(scene)
    assert live.view.heat is None
    assert not live.fresh()
