"""The built zip in a real Blender window, as a person sees it: what the pictures show, pixel by pixel.

Needs a window: a Blender that SCATTERPROOF_BLENDER names and a screen, or the folder that ``blender-window setup``
makes (root, about 4 minutes). SCATTERPROOF_PICTURES names a folder that keeps the pictures.
"""

import dataclasses
import itertools
from pathlib import Path

import numpy as np
import pytest
from scatterproof.camera.lens import project
from scatterproof.plan.read import parse_plan
from scatterproof.plan.templates import example
from scatterproof.readiness.rehearse import rehearse
from scatterproof.readiness.verdict import STATES
from scatterproof.sightings.sighting import HIDDEN, OUTSIDE, SEEN
from window_walk import around, picture, walk_through

COLOURS = {"firm": (0x00, 0x72, 0xB2), "thin": (0xE6, 0x9F, 0x00), "lost": (0xD5, 0x5E, 0x00)}  # Okabe and Ito, 2008


@pytest.fixture(scope="session")
def walked(tmp_path_factory):
    """The facts and the folder of pictures of one walk."""
    return walk_through(tmp_path_factory, "walk.py", "facts.json")


@pytest.fixture(scope="session")
def rehearsals(walked):
    """The same plan, rehearsed by the engine of the checkout."""
    return {r.shot.name: r for r in rehearse(parse_plan(example(walked["plan"]), walked["plan"]).plan)}


def rings_in(look, rehearsal):
    """Points in the filled part of every ring on walls and floors, (R, 16, 2) in the window from below, and states.

    Where a ring lies is worked out anew: in the marker's own plane, 1.25 times its reach and 2 cm wide, 12 mm off it.
    Its upper half is filled but for lost ones, whose rim alone is drawn. Blender's lens has no distortion. The
    camera's gate is where Blender says that it is in the window.
    """
    track = dataclasses.replace(rehearsal.track, distortion=np.zeros(5))
    row = int(np.flatnonzero(track.frame == look["frame"])[0])
    features, markers = rehearsal.layout.features, rehearsal.layout.markers
    turn = np.linspace(0.15, np.pi - 0.15, 16)
    states, points = [], []
    for marker, (first, after) in enumerate(itertools.pairwise(markers.first)):
        mine, normal = features.owner == marker, markers.normal[marker]
        why = rehearsal.sightings.why[row, mine]
        curved = rehearsal.layout.surfaces[markers.surface[marker]].radius_m > 0
        if curved or (why == OUTSIDE).all() or (why == HIDDEN).any():
            continue
        up = np.array([0, 1.0, 0] if normal[2] > 0.9 else [0, 0, 1.0])  # floors are seen from the audience
        states.append("firm" if (why == SEEN).all() else "thin" if (why == SEEN).any() else "lost")
        reach = np.linalg.norm(markers.outline_m[first:after] - markers.centre_m[marker], axis=1).max()
        radius = (1.25 * reach + 0.02) * (0.935 if states[-1] == "lost" else 0.85)
        ring = np.cos(turn)[:, None] * np.cross(up, normal) + np.sin(turn)[:, None] * up
        points.append(markers.centre_m[marker] + 0.012 * normal + radius * ring)
    uv = project(np.array(points).reshape(-1, 3), track)[0][row] + 0.5
    (left, low), _, (right, top), _ = look["gate"]
    share = uv / track.size_px
    screen = np.stack([left + share[:, 0] * (right - left), top - share[:, 1] * (top - low)], axis=1)
    return screen.reshape(-1, 16, 2), np.array(states)


def in_the_clear(points, look, rehearsal):
    """(R, 16) which points of the rings are in the view, in the gate and above the words at the frame's foot.

    None of rings on the floor far away, whose half is lower than 8 pixels: too fine a drawing to be judged.
    """
    (left, low), _, (right, top), _ = look["gate"]
    tall, delivery = rehearsal.track.size_px[1], rehearsal.track.delivery_px
    foot = top - (delivery[3] - 0.3 * (delivery[3] - delivery[1])) / tall * (top - low)
    x0, y0, x1, y1 = look["view"]
    box = np.array([max(left, x0) + 2, max(low, y0, foot) + 2]), np.array([min(right, x1) - 2, min(top, y1) - 2])
    fine = np.ptp(points[..., 1], axis=1) < 8
    return ((points > box[0]) & (points < box[1])).all(axis=2) & ~fine[:, None]


def test_the_engine_is_the_one_just_built(walked):
    assert walked["stamp"] == walked["wanted stamp"]
    assert "/extensions/.local/lib/" in Path(walked["engine"]).as_posix()


def test_the_walk_was_done_and_its_steps_undone(walked, rehearsals):
    assert walked["tab"] == "Scatterproof"
    assert walked["build"] == walked["bake"] == ["FINISHED"]
    assert walked["rehearse"] == ["RUNNING_MODAL"]
    assert walked["rehearsed"] == list(rehearsals)
    baked, cleared, *again = walked["undo"]
    assert cleared == walked["objects"] < baked
    assert again == [baked, cleared, baked]
    assert walked["disabled"]
    assert walked["rings"]


def test_rings_show_the_engines_states_where_the_engine_sees_the_markers(walked, rehearsals):
    shown = dict.fromkeys(COLOURS, 0)
    for look in walked["looks"]:
        rehearsal, pixels = rehearsals[look["shot"]], picture(walked, look["picture"])
        points, states = rings_in(look, rehearsal)
        clear = in_the_clear(points, look, rehearsal)
        columns, rows = np.moveaxis(np.where(clear[..., None], points, 0).astype(int), -1, 0)
        for state, colour in COLOURS.items():
            mine = (states == state) & (clear.sum(axis=1) >= 6)
            near = around(np.abs(pixels - colour).max(axis=-1))[len(pixels) - 1 - rows[mine], columns[mine]]
            right = ((near <= 24) & clear[mine]).sum(axis=1) >= 0.6 * clear[mine].sum(axis=1)  # (R,)
            assert right.mean() >= 0.9 if mine.any() else True, (look["shot"], state, right.mean())
            shown[state] += int(right.sum())
    assert all(shown.values()), shown


def test_the_strip_shows_the_state_of_every_frame(walked, rehearsals):
    """Along the strip, at the places of 60 frames, the state's colour at the height that all states fill."""
    for look in walked["looks"]:
        rehearsal, pixels = rehearsals[look["shot"]], picture(walked, look["picture"])
        (left, low), _, (right, top), _ = look["gate"]
        track, states = rehearsal.track, rehearsal.readiness.state
        edge = track.delivery_px + 0.5
        x = left + edge[[0, 2]] / track.size_px[0] * (right - left)
        y = top - edge[[1, 3]] / track.size_px[1] * (top - low)
        line = min(0.034 * (y[0] - y[1]), 0.02 * (x[1] - x[0]))
        rows = np.linspace(0, len(states) - 1, 60).astype(int)
        columns = x[0] + line + (x[1] - x[0] - 2 * line) * (rows + 0.5) / len(states)
        away = np.abs(columns - columns[np.abs(rows + track.frame[0] - look["frame"]).argmin()]) > 6  # the playhead
        row = len(pixels) - 1 - int(y[1] + 0.79 * line)
        near = np.stack([around(np.abs(pixels - COLOURS[state]).max(axis=-1))[row] for state in STATES])
        assert (near[states[rows[away]], columns[away].astype(int)] <= 24).mean() >= 0.95, look["shot"]


def test_the_sidebar_is_shown_before_and_after(walked):
    """The panels are dark grey with light words: between an empty and a built scene, more is written there."""
    written = []
    for name in ("empty.png", "built.png"):
        panel = picture(walked, name)[80:800, 1040:1290]
        assert (np.ptp(panel, axis=-1) < 12).mean() > 0.8, name  # grey
        written.append(int((panel.min(axis=-1) > 180).sum()))
    assert 500 < written[0] < written[1]


def test_the_saved_file_shows_it_without_the_extension(walked):
    """The same frame with the extension disabled: the picture is full of the states' colours still."""
    counts = []
    for name in ("camera.png", "without-extension.png"):
        view = picture(walked, name)[60:800, 50:1030]
        counts.append([int((np.abs(view - colour).max(axis=-1) <= 8).sum()) for colour in COLOURS.values()])
    assert counts[0][0] > 2000
    np.testing.assert_allclose(counts[1], counts[0], rtol=0.02, atol=20)
