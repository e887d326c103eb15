"""From measures to verdicts: every frame firm, thin or lost, with the numbers that decide it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ..plan.criteria import ShotCriteria
from ..prove.predict import Prediction
from ..sightings.photometry import Looks
from ..sightings.sighting import BLURRED, OUTSIDE, PALE, WHY, Sightings, larger_sigma
from ..solve.parallax import Parallax
from ..stage.layout import CORNER, DISC, Layout
from .verdict import FIRM, LOST, THIN, Reason

SLIDES = {"drift": "drifts by", "jitter": "jitters by"}
CAUSES = ("blur", "contrast")  # criteria whose failure also costs features, and with them parallax


@dataclass(frozen=True, slots=True, eq=False)
class Measures:
    """What the criteria judge, F frames."""

    features: np.ndarray  # (F,) int
    parallax: Parallax
    blur_px: np.ndarray  # (F,) medians, nan without any: of the features that are trackable but for blur
    contrast_stops: np.ndarray  # (F,) of the markers that are trackable but for contrast
    sigma_px: np.ndarray  # (F,) of trackable features: the larger axis of a place in one frame
    plane: tuple[str, ...]  # F    the flat surface that holds every trackable feature, else ""
    why: np.ndarray  # (F, len(WHY)) int  features by reason
    drift_px: np.ndarray  # (F,) predicted slide, 95 of 100 takes, delivery pixels; inf where nothing can be solved
    jitter_px: np.ndarray  # (F,)
    rotation_only: bool
    bound: bool  # slide is only known to be no less


@dataclass(frozen=True, slots=True, eq=False)
class Judged:
    """One criterion over F frames: ``firm`` and ``thin`` are its limits, ``high`` whether more is better."""

    code: str
    value: np.ndarray
    firm: float
    thin: float
    high: bool

    @property
    def state(self) -> np.ndarray:
        """(F,) FIRM, THIN or LOST; FIRM where there is nothing to judge (nan), other criteria tell that."""
        good = self.value >= self.firm if self.high else self.value <= self.firm
        fair = self.value >= self.thin if self.high else self.value <= self.thin
        return np.where(good | np.isnan(self.value), FIRM, np.where(fair, THIN, LOST))

    @property
    def headroom(self) -> np.ndarray:
        """(F,) how many times over the firm limit is met; the smallest decides which reason is told first."""
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = self.value / self.firm if self.high else self.firm / self.value
        return np.nan_to_num(ratio, nan=np.inf, posinf=np.inf)


def judge(measures: Measures, criteria: ShotCriteria) -> tuple[np.ndarray, tuple[tuple[Reason, ...], ...]]:
    """The state of every frame, (F,), and its reasons.

    A nodal move is judged by features, blur and contrast: it solves for rotation, and parallax can't be asked of it.
    A frame that is not firm tells every criterion that holds it back, the worst first, and of equals what causes the
    others (blur, contrast) before its effects; a firm one tells its tightest (but for contrast: that is the paint's,
    the same in frame after frame).
    """
    judged = [
        Judged("features", measures.features.astype(float), *criteria.features, high=True),
        Judged("blur", measures.blur_px, *criteria.blur, high=False),
        Judged("contrast", measures.contrast_stops, *criteria.contrast, high=True),
        Judged("drift", measures.drift_px, *criteria.drift, high=False),
        Judged("jitter", measures.jitter_px, *criteria.jitter, high=False),
    ]
    if not measures.rotation_only:
        judged += [
            Judged("out_of_plane", measures.parallax.signal_sigma, *criteria.out_of_plane, high=True),
            Judged("depths", measures.parallax.depths.astype(float), *criteria.depths, high=True),
        ]
    states = np.stack([j.state for j in judged])
    headroom = np.stack([j.headroom for j in judged])
    effect = np.array([j.code not in CAUSES for j in judged])
    spared = np.where([j.code == "contrast" for j in judged], np.inf, 0.0)
    reasons = tuple(
        tuple(_reason(judged[i], row, measures) for i in _to_tell(states[:, row], headroom[:, row], effect, spared))
        for row in range(len(measures.features))
    )
    return states.max(axis=0), reasons


def _to_tell(states: np.ndarray, headroom: np.ndarray, effect: np.ndarray, spared: np.ndarray) -> list[int]:
    held_back = [int(i) for i in np.lexsort((headroom, effect, -states)) if states[i] != FIRM]
    return held_back or [int(np.argmin(headroom + spared))]


def _reason(judged: Judged, row: int, measures: Measures) -> Reason:
    value, state = float(judged.value[row]), int(judged.state[row])
    limit = judged.thin if state == LOST else judged.firm
    code, plane = judged.code, measures.plane[row]
    if code == "features":
        text = f"{_some(value, 'trackable feature')}, {limit:g} wanted" + _lost_to(measures.why[row], state)
    elif code == "blur":
        text = f"{value:.1f} px of motion blur, {limit:g} allowed"
    elif code == "contrast":
        text = f"markers {value:.2f} stops from their screen, {limit:g} wanted"
    elif code in SLIDES and math.isinf(value):
        text = "the sightings do not fix the camera at all"
    elif code in SLIDES:
        text = f"an insert {SLIDES[code]} {'at least ' * measures.bound}{value:.2f} px, {limit:g} allowed"
    elif code == "depths":
        text = f"{_some(value, 'depth')} told apart, {limit:g} wanted"
    elif plane and state != FIRM:
        code = "one_plane"
        text = f"every trackable feature lies on one plane, the {plane}; {value:.1f} sigma out of it, {limit:g} wanted"
    else:
        text = f"out-of-plane signal {value:.1f} sigma, {limit:g} wanted"
    return Reason(code, value, float(limit), text)


def _some(count: float, what: str) -> str:
    return f"{int(count)} {what}" + "s" * (int(count) != 1)


def _lost_to(why: np.ndarray, state: int) -> str:
    """Why the others do not count, in words, for a frame that has too few."""
    if state == FIRM:
        return ""
    worth = [i for i in np.argsort(-why[OUTSIDE:]) + OUTSIDE if why[i] > 0][:2]
    return "".join(f"{'; ' if i == worth[0] else ', '}{why[i]} {WHY[i]}" for i in worth)


def measure(
    layout: Layout,
    looks: Looks,
    sightings: Sightings,
    parallax: Parallax | None = None,
    prediction: Prediction | None = None,
) -> Measures:
    """Counts, medians and the common plane of every frame; what is not given stays unknown (nan) and is not judged."""
    unknown = np.full(len(sightings.why), np.nan)
    seen, why = sightings.seen, sightings.why
    marker = np.isin(layout.features.kind, (CORNER, DISC))
    blur, contrast, sigma = (np.full(len(seen), np.nan) for _ in range(3))
    for row in range(len(seen)):  # frame by frame, since the tables are large
        blur[row] = _median(np.hypot(*sightings.motion_px[row, seen[row] | (why[row] == BLURRED)].T))
        own = np.flatnonzero(marker & (seen[row] | (why[row] == PALE)))
        light = sightings.shaded[row, own].astype(int) if len(looks.stops) > 1 else 0
        contrast[row] = _median(looks.stops[light, own])
        sigma[row] = _median(larger_sigma(sightings.covariance[row, seen[row]]))
    counts = np.stack([(why == code).sum(axis=1) for code in range(len(WHY))], axis=1)
    return Measures(
        features=seen.sum(axis=1),
        parallax=parallax or Parallax(unknown, np.full(len(unknown), -1), unknown),
        blur_px=blur,
        contrast_stops=contrast,
        sigma_px=sigma,
        plane=common_plane(layout, seen),
        why=counts,
        drift_px=prediction.drift_95_px if prediction else unknown,
        jitter_px=prediction.jitter_95_px if prediction else unknown,
        rotation_only=prediction is not None and prediction.rotation_only,
        bound=prediction is not None and not prediction.linear,
    )


def _median(values: np.ndarray) -> float:
    return float(np.median(values)) if len(values) else float("nan")


def common_plane(layout: Layout, seen: np.ndarray) -> tuple[str, ...]:
    """Per frame the name of the flat surface on which every seen feature lies, else an empty string."""
    surface = np.where(seen, layout.features.surface[None], -2)
    top = surface.max(axis=1, initial=-2)
    same = ((surface == top[:, None]) | (surface == -2)).all(axis=1)
    flat = np.array([s.radius_m == 0 for s in layout.surfaces] + [False, False])  # the last two: stands, nothing
    return tuple(
        layout.surfaces[t].name if one and t >= 0 and flat[t] else "" for t, one in zip(top, same, strict=True)
    )
