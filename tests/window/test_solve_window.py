"""The Solve preview panel in a real Blender window."""

import numpy as np
import pytest
from window_walk import picture, walk_through


@pytest.fixture(scope="module")
def walked(tmp_path_factory):
    """The facts and the folder of pictures of one walk."""
    return walk_through(tmp_path_factory, "walk_solve.py", "solve.json")


def test_it_is_given_up_done_and_undone(walked):
    assert "Traceback" not in walked["log"]
    assert walked["pressed"] == ["RUNNING_MODAL"]
    assert walked["given up"] == walked["undone"] == []
    assert [shot for shot, _ in walked["solved"]] == ["LY010", "LY020", "LY030", "LY040", "LY050"]
    assert all(lines[0].startswith("slide") for _, lines in walked["solved"])
    assert len(walked["cameras"]) == 5


def test_the_poles_show_in_the_view(walked):
    """What the preview added to the view, white and blue, beside the sidebar."""
    view = np.s_[100:800, 100:1000]
    before, after = (picture(walked, f"solve-{name}.png")[view] for name in ("empty", "done"))
    new = np.abs(before - after).max(axis=-1) > 40
    assert (new & (after.min(axis=-1) > 200)).sum() > 100
