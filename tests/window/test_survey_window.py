"""The Survey panel in a real Blender window: what the pictures show before, between and after."""

import numpy as np
import pytest
from window_walk import around, picture, walk_through

MOVED = (0xD5, 0x5E, 0x00)  # Okabe and Ito, 2008


@pytest.fixture(scope="module")
def walked(tmp_path_factory):
    """The facts and the folder of pictures of one walk."""
    return walk_through(tmp_path_factory, "walk_survey.py", "survey.json")


def test_the_walk_was_done_without_a_traceback(walked):
    assert "Traceback" not in walked["log"]
    assert walked["read"] == ["FINISHED"]
    assert walked["summary"].startswith("149 planned points: 137 in place, 8 off")
    before, accepted, undone, redone = walked["marks"]
    assert (accepted, undone, redone) == (3, before, 3)  # two that were not surveyed and one extra stay marked


def test_arrows_show_in_front_of_everything_and_go_when_accepted(walked):
    assert len(walked["arrows"]) == 8
    for name, wanted in (("survey-empty", 0), ("survey-read", 8), ("survey-accepted", 0)):
        pixels = picture(walked, f"{name}.png")
        near = around(np.abs(pixels - MOVED).max(axis=-1))
        columns, rows = np.array(walked["arrows"]).astype(int).T
        assert (near[len(pixels) - 1 - rows, columns] <= 24).sum() == wanted, name


def test_the_panel_says_more_the_more_there_is_to_say(walked):
    """Light words on the dark grey of the sidebar."""
    written = {
        name: int((picture(walked, f"survey-{name}.png")[80:800, 1040:1290].min(axis=-1) > 180).sum())
        for name in ("empty", "asked", "accepted", "read")
    }
    assert 500 < written["empty"] < written["asked"] < written["accepted"]
    assert written["asked"] < written["read"]


def test_a_question_is_asked_in_the_panels_words(walked):
    (question,) = walked["asked"]
    assert question.startswith("open.csv: units")
    assert "--" not in question
