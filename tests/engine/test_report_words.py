import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from report_shots import firm_shot, made_up_shot, too_few
from scatterproof.readiness.verdict import FIRM, LOST, THIN, Reason
from scatterproof.report.words import findings, frame_ranges, headline, say_ranges, severity

PLANE = "every trackable feature lies on one plane, the back wall; 0.0 sigma out of it, 3 wanted"


@given(st.sets(st.integers(-50, 3000), max_size=60))
def test_ranges_hold_exactly_the_frames_they_were_made_of(frames):
    ranges = frame_ranges(sorted(frames))
    assert [f for first, last in ranges for f in range(first, last + 1)] == sorted(frames)
    assert all(after[0] > before[1] + 1 for before, after in pairwise(ranges))


def test_many_ranges_are_told_by_the_longest():
    assert say_ranges([*range(1, 10), 20, *range(30, 35), 50, 60]) == "5 ranges, the longest 1 to 9"


def test_headline_of_a_firm_shot_names_its_tightest_frame():
    features = np.array([40, 14, 90])
    reasons = tuple(too_few(int(n), FIRM) for n in features)
    said = headline(made_up_shot([0, 0, 0], reasons, features=features))
    assert said.state == FIRM
    assert said.verdict == "Firm: every frame."
    assert said.why == "Tightest at frame 2: 14 trackable features, 12 wanted."


def test_headline_of_a_shot_lost_on_one_plane():
    reasons = ((Reason("one_plane", 0.0, 3.0, PLANE),),) * 4
    said = headline(made_up_shot([2] * 4, reasons))
    assert said.verdict == "Lost: every frame."
    assert said.why == "E" + PLANE[1:] + "."


def test_headline_tells_lost_and_thin_frames_apart():
    said = headline(made_up_shot([0, 2, 2, 1, 0, 1]))
    assert said.state == LOST
    assert said.verdict == "Lost: 2 of 6 frames (2 to 3). Thin: 2 of 6 frames (4, 6)."


def test_headline_of_the_reason_told_most_often_at_its_worst():
    few = [too_few(n, LOST) for n in (6, 2, 5)]
    reasons = (*few, (Reason("blur", 90.0, 10.0, "90.0 px of motion blur, 10 allowed"),))
    said = headline(made_up_shot([2] * 4, reasons))
    assert said.why == "2 trackable features, 7 wanted (at worst, frame 2)."


def test_severity_runs_from_the_best_to_the_worst():
    state = np.array([LOST, FIRM, THIN, FIRM, LOST])
    features = np.array([5, 30, 9, 14, 1])
    reasons = tuple(too_few(int(n), int(s)) for n, s in zip(features, state, strict=True))
    assert severity(made_up_shot(state, reasons, features=features)).tolist() == [1, 3, 2, 0, 4]


def test_severity_of_measures_where_less_is_better():
    blur = [(Reason("blur", v, 10.0, f"{v} px"),) for v in (12.0, 40.0, 20.0)]
    assert severity(made_up_shot([2, 2, 2], tuple(blur))).tolist() == [0, 2, 1]


def test_findings_merge_consecutive_frames_and_keep_the_extremes():
    features = np.array([5, 4, 6, 40, 6, 9])
    state = np.array([2, 2, 2, 0, 2, 1])
    reasons = tuple(too_few(int(n), int(s)) for n, s in zip(features, state, strict=True))
    found = findings(made_up_shot(state, reasons, first=31, features=features))
    assert [(f.first, f.last, f.low, f.high, f.limit, f.state) for f in found] == [
        (31, 33, 4, 6, 7, LOST),
        (35, 35, 6, 6, 7, LOST),
        (36, 36, 9, 9, 12, THIN),
    ]
    assert (found[0].worst_frame, found[0].worst.value) == (32, 4)


@given(st.lists(st.integers(0, 2), min_size=1, max_size=60))
def test_findings_cover_every_frame_that_is_not_firm_once(state):
    shot = made_up_shot(state)
    covered = sorted(f for finding in findings(shot) for f in range(finding.first, finding.last + 1))
    assert covered == shot.frame[shot.state != FIRM].tolist()


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, 0.0])
def test_odd_numbers_still_make_words(value):
    shot = made_up_shot([2, 2], ((Reason("heat", value, 0.0, "too warm"),),) * 2)
    assert headline(shot).why == "Too warm."
    assert len(findings(shot)) == 1
    assert sorted(severity(shot).tolist()) == [0, 1]


def test_a_frame_without_reasons_is_no_obstacle():
    shot = made_up_shot([2, 0], ((), ()))
    assert headline(shot).why == ""
    assert findings(shot) == []
    assert headline(firm_shot(1)).verdict == "Firm: its one frame."
