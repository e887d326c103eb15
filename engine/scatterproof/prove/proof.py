"""A shot's prediction and its takes side by side, and which of the two rules."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .predict import Prediction
from .standing import Standing
from .takes import Takes

APART = 1.25  # prediction and takes part where their median ratio is beyond this, either way
FEW = 10  # takes below which a ratio proves nothing


@dataclass(frozen=True, slots=True, eq=False)
class Proof:
    """F frames of one shot."""

    name: str
    prediction: Prediction
    standing: Standing | None
    takes: Takes | None

    @property
    def frame(self) -> np.ndarray:
        """(F,) frame numbers."""
        return self.prediction.frame

    @property
    def ratios(self) -> tuple[float, float]:
        """Simulated over predicted drift and jitter, medians over frames; nan without takes."""
        if self.takes is None:
            return np.nan, np.nan
        slide = self.prediction.slide
        return _ratio(self.takes.drift_px, slide.drift_sigma_px), _ratio(self.takes.jitter_px, slide.jitter_sigma_px)

    @property
    def agree(self) -> bool:
        """Whether the takes bear the prediction out, as far as there are enough to tell."""
        if self.takes is None or self.takes.solved < FEW:
            return True
        return all(1 / APART <= ratio <= APART for ratio in self.ratios if np.isfinite(ratio))

    @property
    def simulated_rules(self) -> bool:
        """Whether the takes' slide stands in the place of the predicted one."""
        return self.takes is not None and self.takes.solved > 0 and not (self.prediction.linear and self.agree)

    @property
    def drift_95_px(self) -> np.ndarray:
        """(F,) the drift that rules, what 95 of 100 takes stay below."""
        return self.takes.drift_95_px if self.takes and self.simulated_rules else self.prediction.drift_95_px

    @property
    def jitter_95_px(self) -> np.ndarray:
        """(F,) the jitter that rules."""
        return self.takes.jitter_95_px if self.takes and self.simulated_rules else self.prediction.jitter_95_px


def _ratio(simulated: np.ndarray, predicted: np.ndarray) -> float:
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = simulated / predicted
    known = ratio[np.isfinite(ratio)]
    return float(np.median(known)) if len(known) else np.nan
