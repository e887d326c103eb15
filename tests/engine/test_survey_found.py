"""As planned against as found: registered, adjusted, compared, and written back into the plan."""

import numpy as np
import pytest
from scatterproof.plan.model import Floor, Gear, MarkerSet, Paint, Plan, Stage, Stand, Wall
from scatterproof.plan.read import parse_plan
from scatterproof.plan.write import dump_plan
from scatterproof.problems import BadInput
from scatterproof.stage.layout import build_layout
from scatterproof.survey.adjust import ANGLE, DIRECTION, DISTANCE, ZENITH
from scatterproof.survey.asbuilt import as_built
from scatterproof.survey.found import IN_PLACE, NOT_SURVEYED, OFF, SWAPPED, find
from scatterproof.survey.notes import Notes
from scatterproof.survey.points import SurveyPoints
from scatterproof.survey.targets import MARKER, targets_of, tidied

PLAN = Plan(
    name="Attic",
    paints=(Paint(name="screen", srgb=(70, 148, 73)), Paint(name="marker", srgb=(90, 180, 90)),
            Paint(name="band", srgb=(230, 120, 30))),
    stage=Stage(floors=(Floor(x=(-3, 3), y=(-2, 3)),),
                walls=(Wall(name="back wall", start=(-3, 3), end=(3, 3), height=3),
                       Wall(name="left wall", start=(-3, -2), end=(-3, 3), height=3))),
    markers=(MarkerSet(name="walls", surfaces=("back wall", "left wall"), spacing=0.7, seed=3),
             MarkerSet(name="crosses", surfaces=("floor",), shape="thick cross", spacing=0.8, seed=4)),
    stands=(Stand(name="near stand", at=(1.0, 0.5), height=2.2, bands=(0.6, 1.2, 1.9)),),
    gear=(Gear(name="crate", at=(-1.0, 1.0, 0.0), size=(0.8, 0.6, 0.5)),),
)  # fmt: skip
TURN = np.array([[0.0, -1, 0], [1, 0, 0], [0, 0, 1]])


@pytest.fixture(scope="module")
def stage():
    layout = build_layout(PLAN)
    return layout, targets_of(PLAN, layout)


def points(targets, true, keep=None, labels="number", rng=None, noise=0.001, turn=TURN, scale=1.0, unit="m"):
    rows = np.arange(len(targets)) if keep is None else np.asarray(keep)
    at = true[rows] + (noise * rng.normal(size=(len(rows), 3)) if rng else 0.0)
    label = tuple({"number": targets.number, "name": targets.name}[labels][i] if labels else "" for i in rows)
    return SurveyPoints(
        "s.csv", label, scale * at @ turn.T + [5.0, 6, 7], np.full((len(rows), 3), 0.001), rows + 2, (), unit
    )


def test_names_and_numbers(stage):
    layout, targets = stage
    rows = targets.rows()
    assert rows[tidied("Walls_007")] == rows["7"]
    assert targets.name[rows["s1.2"]] == "near stand band 2"
    assert targets.name[rows["g1.8"]] == "crate point 8"
    assert targets.position_m[rows["s1"]] == pytest.approx((1.0, 0.5, 0.0))
    assert targets.position_m[rows["crosses 1"]] == pytest.approx(
        layout.markers.centre_m[layout.markers.name.index("crosses 1")]
    )


@pytest.mark.parametrize("labels", ["number", "name", ""])
def test_what_moved_is_missing_swapped_or_extra(stage, labels):
    layout, targets = stage
    rng = np.random.default_rng(1)
    true = targets.position_m + 0.0005 * rng.normal(size=targets.position_m.shape)
    true[4] += [0.25, 0.0, 0.1]
    true[[8, 9]] = true[[9, 8]]
    keep = [i for i in range(len(targets)) if i not in (2, 15)]
    file = points(targets, true, keep, labels, rng)
    stray = SurveyPoints(
        "s.csv", (*file.label, "tripod" if labels else ""), [*file.position_m, file.position_m[0] + 3],
        [*file.sigma_m, [0.001] * 3], [*file.line, 99],
    )  # fmt: skip
    found = find(targets, layout.surfaces, [stray])
    state = found.state
    assert set(np.flatnonzero(state == NOT_SURVEYED)) >= {2, 15}
    if labels:
        assert state[4] == OFF
        assert found.offset_m[4] == pytest.approx((0.25, 0, 0.1), abs=0.01)
        assert state[8] == state[9] == SWAPPED
        assert (found.instead[8], found.instead[9]) == (9, 8)
        assert found.extra_label == ("tripod",)
    else:
        assert state[4] == NOT_SURVEYED  # without a label a moved marker is one missing and one extra,
        assert 4 in found.extra_near  # told together
        assert (state[[8, 9]] == IN_PLACE).all()  # and a swap can't be seen
    assert (state == IN_PLACE).sum() > 0.9 * len(targets)


def test_set_out_errors_are_off_and_their_uncertainty_is_the_survey_s(stage):
    layout, targets = stage
    rng = np.random.default_rng(2)
    true = targets.position_m + 0.01 * rng.normal(size=targets.position_m.shape)
    found = find(targets, layout.surfaces, [points(targets, true, rng=rng)])
    assert (found.state == OFF).mean() > 0.9
    assert found.position_m == pytest.approx(true, abs=0.01)
    assert np.sqrt(found.covariance_m2[0, 0, 0]) == pytest.approx(0.001)


@pytest.mark.parametrize(
    ("change", "asked"),
    [
        ({"scale": 1 / 0.3048}, "--units ft"),  # feet, told to be metres
        ({"turn": TURN * [1, -1, 1]}, "--axes"),
        ({"turn": TURN[:, [1, 0, 2]]}, "--axes"),
    ],
)
@pytest.mark.parametrize("labels", ["number", ""])
def test_wrong_units_and_left_handed_axes_are_asked_about(stage, change, asked, labels):
    layout, targets = stage
    file = points(targets, targets.position_m, rng=np.random.default_rng(3), labels=labels, **change)
    with pytest.raises(BadInput, match=asked):
        find(targets, layout.surfaces, [file])


def test_numbers_of_the_instrument_s_own_are_no_labels(stage):
    """A file numbered through by the instrument: labels don't agree with the plan, the pattern does."""
    layout, targets = stage
    rng = np.random.default_rng(4)
    order = rng.permutation(len(targets))
    file = points(targets, targets.position_m, order, "", rng)
    numbered = SurveyPoints(
        "s.csv", tuple(str(i + 1) for i in range(len(order))), file.position_m, file.sigma_m, file.line
    )
    found = find(targets, layout.surfaces, [numbered])
    assert "labels don't agree" in found.placed[0].note
    assert found.position_m[found.surveyed] == pytest.approx(targets.position_m[found.surveyed], abs=0.01)
    with pytest.raises(BadInput, match="--match pattern"):
        find(targets, layout.surfaces, [numbered], by="labels")


def test_one_thing_under_two_labels(stage):
    layout, targets = stage
    file = points(targets, targets.position_m, [0, 1, 2, 3])
    twice = SurveyPoints("s.csv", (*file.label[:3], "walls 1"), file.position_m, file.sigma_m, file.line)
    with pytest.raises(BadInput, match="one point for walls 1"):
        find(targets, layout.surfaces, [twice])


def test_two_files_and_notes_are_adjusted_together(stage):
    """Two setups with 3 mm, tape between with 1 mm and one misread by 10 cm: better than either, the blunder named."""
    layout, targets = stage
    rng = np.random.default_rng(5)
    true = targets.position_m
    files = []
    for turn in (TURN, np.eye(3)):
        file = points(targets, true, rng=rng, noise=0.003, turn=turn)
        files.append(SurveyPoints("s.csv", file.label, file.position_m, np.full((len(file), 3), 0.003), file.line))
    pairs = [(i, int(j)) for i in range(20) for j in np.argsort(((true - true[i]) ** 2).sum(axis=1))[1:5]]
    value = np.array([np.linalg.norm(true[i] - true[j]) for i, j in pairs]) + 0.001 * rng.normal(size=len(pairs))
    value[11] += 0.1
    notes = Notes(
        "tape.csv", tuple(targets.number[i] for i, _ in pairs), tuple(targets.number[j] for _, j in pairs),
        ("",) * len(pairs), np.full(len(pairs), DISTANCE), value, np.full(len(pairs), 0.001), np.zeros((len(pairs), 2)),
        np.arange(len(pairs)) + 2,
    )  # fmt: skip
    found = find(targets, layout.surfaces, files, [notes])
    assert len(found.removed) <= 2  # of some 300 good measurements one in a thousand is accused
    assert "line 13" in found.removed[0].told
    assert found.removed[0].hint == "10 cm too long"
    error = found.position_m - true
    assert np.sqrt((error[:20] ** 2).mean()) < 0.003 / np.sqrt(2)
    assert found.combined.adjusted.dof > 0


def test_total_station_alone(stage):
    """One setup: directions, zenith angles and distances to everything; the station itself is not in the plan."""
    layout, targets = stage
    rng = np.random.default_rng(6)
    true, station = targets.position_m, np.array([0.5, -1.5, 1.55])
    d = true - np.add(station, [0, 0, 0.2])
    level = np.hypot(d[:, 0], d[:, 1])
    slope = np.sqrt((d**2).sum(axis=1)) + 0.001 * rng.normal(size=len(d))
    hz = np.arctan2(d[:, 0], d[:, 1]) - 0.7 + 2e-5 * rng.normal(size=len(d))
    v = np.arctan2(level, d[:, 2]) + 2e-5 * rng.normal(size=len(d))
    n = len(d)
    angle, length = 2e-5, 0.001
    notes = Notes(
        "ts.csv", ("TS1",) * 3 * n, targets.number * 3, ("",) * 3 * n, np.repeat([DIRECTION, ZENITH, DISTANCE], n),
        np.concatenate([hz, v, slope]), np.repeat([angle, angle, length], n),
        np.tile([0.2, 0.0], (3 * n, 1)), np.arange(3 * n) + 2,
    )  # fmt: skip
    found = find(targets, layout.surfaces, [], [notes])
    assert found.surveyed.all()
    assert found.position_m == pytest.approx(true, abs=0.006)
    assert "TS1" in found.combined.name
    assert not found.removed


def test_a_point_that_hangs_on_one_distance_is_left_out_and_told(stage):
    layout, targets = stage
    file = points(targets, targets.position_m, range(20), rng=np.random.default_rng(7))
    last = len(targets) - 1
    away = float(np.linalg.norm(targets.position_m[last] - targets.position_m[0]))
    notes = Notes("t.csv", ("1",), (targets.number[last],), ("",), np.array([DISTANCE]), np.array([away]),
                  np.array([0.002]), np.zeros((1, 2)), np.array([2]))  # fmt: skip
    found = find(targets, layout.surfaces, [file], [notes])
    assert [p.point for p in found.loose] == [targets.name[last]]
    assert found.combined.enough
    assert found.state[last] == NOT_SURVEYED


def test_notes_that_hold_nothing_are_refused(stage):
    layout, targets = stage
    notes = Notes("t.csv", ("1",), ("2",), ("3",), np.array([ANGLE]), np.array([1.0]), np.array([1e-4]),
                  np.zeros((1, 2)), np.array([2]))  # fmt: skip
    with pytest.raises(BadInput, match="free to move"):
        find(targets, layout.surfaces, [], [notes])


def test_as_built_plan(stage):
    """Everything stands where it was found, within the survey; shapes stay; the file reads back."""
    layout, targets = stage
    rng = np.random.default_rng(8)
    shift = np.zeros_like(targets.position_m)
    shift[targets.kind == MARKER] = 0.02 * rng.normal(size=((targets.kind == MARKER).sum(), 3))
    for surface, axis in ((0, 2), (1, 1), (2, 0)):
        shift[targets.surface == surface, axis] = 0.0
    stand = targets.owner == len(layout.markers.name)
    shift[stand] = [0.11, -0.07, 0.0]
    true = targets.position_m + shift
    crate = np.flatnonzero(targets.owner == targets.owner.max())
    middle = true[crate].mean(axis=0)
    cos, sin = np.cos(0.2), np.sin(0.2)
    true[crate] = (true[crate] - middle) @ np.array([[cos, sin, 0], [-sin, cos, 0], [0, 0, 1]]) + middle
    file = points(targets, true).at(true)
    found = find(targets, layout.surfaces, [file], as_given=True)
    again = parse_plan(dump_plan(as_built(PLAN, layout, found)), "as-built").plan
    built = build_layout(again)
    assert built.markers.name == layout.markers.name
    assert built.markers.size_m == pytest.approx(layout.markers.size_m, abs=1e-5)
    now = targets_of(again, built).position_m
    assert now == pytest.approx(found.position_m, abs=2e-3)
    corners = np.diff(layout.markers.first)
    assert (np.diff(built.markers.first) == corners).all()


def test_what_was_not_surveyed_stays_or_goes(stage):
    layout, targets = stage
    keep = [i for i in range(len(targets)) if i != 3]
    found = find(targets, layout.surfaces, [points(targets, targets.position_m, keep)])
    count = len(layout.markers.name)
    assert len(build_layout(as_built(PLAN, layout, found)).markers.name) == count
    assert len(build_layout(as_built(PLAN, layout, found, drop=True)).markers.name) == count - 1
    nothing = as_built(PLAN, layout, found, accept=np.zeros(len(targets), bool))
    assert nothing == PLAN
    one = as_built(PLAN, layout, found, accept=np.arange(len(targets)) == 0)
    assert one.markers[0].layout == "placed"
    assert one.markers[1] == PLAN.markers[1]
