"""Takes of an example shot against its prediction: a small part of tests/bench/bench_takes.py."""

from __future__ import annotations

import numpy as np
import pytest
from example_takes import ERRORS, rows


@pytest.mark.parametrize("errors", sorted(ERRORS))
def test_a_firm_shot_solves_every_time_and_slides_as_predicted(errors):
    (row,) = rows(errors, ("lantern-yard",), ("LY030",))
    row.solve(range(1, 13))
    proof = row.proven
    assert row.state == "firm"
    assert proof.prediction.linear
    assert proof.takes.solved == 12
    assert np.array(proof.ratios) == pytest.approx(1, abs=0.3)  # of 12 takes: the whole bench tells more
