"""What the covariance says of a shot: slide per frame, the camera's own uncertainty, and whether to believe it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..solve.covariance import Information, inform, marginals, solvability
from ..solve.network import Unknowns
from ..solve.normal import Unknown, cost_of, moved
from ..solve.response import pose_squares
from ..solve.slide import Slide, slide, worst_step
from ..sources import BEND
from .shot import ShotNetwork

ROUNDING = 1e-14  # a solvability below this is none at all
ROWS_PRICED = 16  # frames at which the slide of wandering tracks is computed for a rehearsal; between them it is smooth


@dataclass(frozen=True, slots=True, eq=False)
class Prediction:
    """F frames of one shot. Pixels are those of the delivery frame; nan where nothing is solved, or nothing to be seen.

    The figures are exact to first order. They are only a lower bound (:attr:`linear` false) where all features lie on
    one plane (``flat``), since another motion then fits nearly as well, and where the solve bends: ``bend`` is the
    sightings' weighted squares at a slide of one sigma, as a part of what a linear solve would have there.
    """

    frame: np.ndarray  # (F,) int
    slide: Slide
    camera_sigma_m: np.ndarray  # (F,) root mean square of the centre, inner constraints over all cameras and points
    focal_sigma: float  # relative sigma of the focal length, 0 where it is known or every frame has its own
    solvability: float  # first non-gauge eigenvalue of the scaled normal matrix; 0: the sightings do not fix the shot
    flat: bool
    bend: float
    rotation_only: bool
    lens_held: bool = False  # the sightings do not fix the lens at all; the figures are those with the lens known
    camera_covariance: np.ndarray | None = None  # (F, 6, 6) of centre (m) and turn (rad), world axes, same datum

    @property
    def solvable(self) -> bool:
        """Whether the sightings fix the shot at all, if need be with the lens known."""
        return self.solvability > 0

    @property
    def drift_95_px(self) -> np.ndarray:
        """(F,) what the drift stays below in 95 of 100 takes; inf where the shot can't be solved."""
        return self.slide.drift_95_px if self.solvable else np.sqrt(self.slide.drift_px2[:, 0, 0])

    @property
    def jitter_95_px(self) -> np.ndarray:
        """(F,) what the jitter stays below in 95 of 100 takes; likewise."""
        return self.slide.jitter_95_px if self.solvable else np.sqrt(self.slide.jitter_px2[:, 0, 0])

    @property
    def linear(self) -> bool:
        """Whether the figures hold as they stand."""
        return self.solvable and not self.flat and self.bend <= BEND.value


def predict(network: ShotNetwork, thorough: bool = True) -> Prediction:
    """Slide at the action point and the camera's sigma.

    ``thorough`` false, for a rehearsal: the bend is not looked for; the camera's sigma is that of tracks as the solve
    believes them; and where tracks wander, slide is computed at some frames and interpolated between. It is off by a
    tenth at most frames, and by up to a third where many tracks begin or end at once.
    """
    f, view = len(network.frame), network.in_view
    information, held, certain = informed(network)
    if information is None:
        none = np.where(view[:, None, None], np.diag([np.inf, np.inf]), np.nan)
        rotation_only = network.unknowns.rotation_only
        return Prediction(
            network.frame, Slide(none, none), np.full(f, np.nan), np.nan, 0.0, network.flat, np.inf, rotation_only
        )
    wanted = None
    if network.errors.coloured and not thorough and view.sum() > 2 * ROWS_PRICED:
        wanted = np.zeros(f, bool)
        wanted[np.flatnonzero(view)[np.linspace(0, view.sum() - 1, ROWS_PRICED).round().astype(int)]] = True
    found = slide_at(network, information, network.action_m, view, wanted)
    if wanted is not None:
        found = Slide(*(_between(values, view) for values in (found.drift_px2, found.jitter_px2)))
    own = marginals(information)
    pose = own.pose[:, :6, :6]
    if network.errors.coloured and thorough:
        pose = pose_squares(information, network.tracks, network.errors)
    focal = float(np.sqrt(own.shared[0, 0])) if information.layout.unknowns.focal == "shared" else 0.0
    return Prediction(
        network.frame,
        found,
        np.sqrt(np.trace(pose[:, :3, :3], axis1=1, axis2=2)),
        focal / float(network.truth.focal_px[0]),
        certain,
        network.flat,
        bend_of(network, information, found) if thorough else 1.0,
        network.unknowns.rotation_only,
        held,
        pose,
    )


def informed(network: ShotNetwork) -> tuple[Information | None, bool, float]:
    """The shot's information, whether the lens had to be taken as known, and its solvability.

    None where not even a known lens fixes the camera. A straight move trades the lens for the depth of the scene;
    whether a rest of rounding is left of it is luck.
    """
    information = inform(network.tracks, network.truth, network.unknowns)
    certain = solvability(information)
    if certain > ROUNDING:
        return information, False, certain
    information = lens_held(network)
    return information, True, solvability(information)


def slide_at(
    network: ShotNetwork,
    information: Information,
    places_m: np.ndarray,
    in_view: np.ndarray,
    frames: np.ndarray | None = None,
) -> Slide:
    """Slide with the network's own errors at one place (3,) or at many (A, 3)."""
    coloured = network.errors.coloured
    return slide(
        information,
        places_m,
        in_view,
        frames=frames,
        tracks=network.tracks if coloured else None,
        errors=network.errors if coloured else None,
        delivery_scale=network.delivery_scale,
    )


def bend_of(network: ShotNetwork, information: Information, found: Slide) -> float:
    """The sightings' weighted squares at a slide of one sigma, 1 where the solve is linear.

    The shot's unknowns are moved as its largest drift would have them, by the sigma that the tracks' real errors give
    it. Where the squares come out larger than a linear solve's, its valley bends within its own width, and solves
    follow it farther than a straight prediction says. The lens is held meanwhile: what it shares with the depth of the
    scene bends too, but does not carry the insert along.
    """
    used = information.layout.unknowns
    held = lens_held(network) if used.shared or used.of_frame else information
    if held is None:
        return np.inf
    information = held
    if not network.in_view[information.layout.frame_ids].any():
        return 1.0
    step = worst_step(information, network.action_m, network.in_view)
    more = 1.0
    if network.errors.coloured:
        white = slide(information, network.action_m, network.in_view, delivery_scale=network.delivery_scale)
        more = float(np.nanmax(found.drift_sigma_px) / np.nanmax(white.drift_sigma_px))
    layout, state = information.layout, information.state
    with np.errstate(all="ignore"):
        grown = [2 * cost_of(layout, moved(layout, state, scaled(step, by)), None, None) for by in (more, -more)]
    return float(np.nan_to_num(max(grown) / more**2, nan=np.inf))


def lens_held(network: ShotNetwork) -> Information | None:
    """The information of a shot whose lens is known; None where not even that fixes the camera."""
    return inform(network.tracks, network.truth, Unknowns(rotation_only=network.unknowns.rotation_only))


def scaled(step: Unknown, by: float) -> Unknown:
    """A step that many times as long."""
    return Unknown(by * step.frames, by * step.points, by * step.shared)


def _between(values: np.ndarray, in_view: np.ndarray) -> np.ndarray:
    """(F, 2, 2) filled in linearly between the frames that have a value, where ``in_view``."""
    known = np.isfinite(values[:, 0, 0])
    if not known.any():
        return values
    row = np.arange(len(values))
    flat = np.stack([np.interp(row, row[known], one[known]) for one in values.reshape(-1, 4).T], axis=-1)
    return np.asarray(np.where(in_view[:, None, None], flat.reshape(-1, 2, 2), np.nan))
