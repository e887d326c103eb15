"""The Rig kit panel in a real Blender window: the sheets in its pictures are sheets, and turn."""

import numpy as np
import pytest
from window_walk import picture, walk_through


@pytest.fixture(scope="module")
def walked(tmp_path_factory):
    """The facts and the folder of pictures of one walk."""
    return walk_through(tmp_path_factory, "walk_kit.py", "kit.json")


def white(walked, name, part=np.s_[80:800, 1040:1290]):
    """How many pixels of the sidebar are paper."""
    return int((picture(walked, f"kit-{name}.png")[part].min(axis=-1) > 245).sum())


def test_the_walk_was_done_without_a_traceback(walked):
    assert "Traceback" not in walked["log"]
    assert walked["preview"] == ["RUNNING_MODAL"]
    assert walked["write"] == walked["read"] == ["FINISHED"]
    assert {"kit.pdf", "sheets", "set-out.csv", "cut-list.csv"} <= set(walked["written"])
    assert walked["icon"] > 0


def test_a_sheet_of_paper_is_shown_once_the_kit_is_made(walked):
    assert white(walked, "empty") < 2000
    assert white(walked, "scrolled") > 10_000


def test_a_sheet_can_be_read_in_an_image_editor(walked):
    """Paper with ink on it, in the largest area of the window."""
    pixels = picture(walked, "kit-read.png")[60:800, 60:1000]
    paper, ink = (pixels.min(axis=-1) > 245).mean(), (pixels.max(axis=-1) < 90).mean()
    assert paper > 0.2
    assert ink > 0.002
