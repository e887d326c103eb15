"""The choice of marker paint: every candidate by what it gives the tracker and what key and cleanup pay for it.

No candidate is preferred here. Each measure becomes a merit between 0 and 1 by a rule that is written beside it, and
the plan's weights rank their means.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..plan.check import flat_surfaces
from ..plan.criteria import ShotCriteria, criteria_of
from ..plan.model import Camera, PaintChoice, Plan
from ..plan.paint import linear_named, linear_of, srgb_to_linear
from ..sightings.corner import corner_covariance
from ..sightings.photometry import clip_level, code_step, edge_signal, light_levels
from ..sightings.sighting import AWAY, HIDDEN, OUTSIDE, Sightings, larger_sigma
from ..sources import BLACK, WHITE
from ..stage.layout import CORNER, Layout
from . import key
from .difference import ciede2000, lab_of

MEASURES = ("contrast", "shadow", "key", "rim", "colours", "clipping", "cleanup")
TYPICAL_DISC_PX = 2.0  # where no shot tells how soft its markers are
CORNER_PX = np.array([[0, 0], [40, 0], [40, 40], [0, 40]], float)  # long edges at a right angle
SAME = 1.0  # CIEDE2000 up to which two paints are one: what an observer can just tell
GAMUT_STEPS = 15  # colours of the sRGB gamut along each primary


@dataclass(frozen=True, slots=True)
class Scene:
    """What a plan says about where its markers are seen."""

    light: float  # highest and lowest light level at markers
    shade: float
    disc_px: float  # typical defocus disc at markers' edges
    crossings: float  # markers cut by a blocker's silhouette, in the mean frame


@dataclass(frozen=True, slots=True)
class Candidate:
    """One paint, measured. Contrasts and sigmas of the worst of the plan's cameras."""

    name: str
    linear: tuple[float, float, float]  # reflectance
    contrast: float  # code values against the screen in full light
    shadow_contrast: float  # in the darkest shadow
    stops: float  # against the screen, linear light
    sigma_px: float  # of a match of a right-angled corner in full light, without motion; infinite: lost
    shadow_sigma_px: float
    residue: float  # 0 to 1: what the marker leaves in a clean matte
    crunch: float  # 0 to 1: black point that loses it with its noise, and with it that much of soft edges
    rim_px: float
    lost_colours: float  # share of the gamut that goes with the marker and a clean key would have held
    lost_patches: tuple[str, ...]  # the plan's patches among them
    nearest_patch: str  # the one among all of the plan's that looks most like it, itself aside
    nearest_difference: float  # CIEDE2000; infinite where the plan has no other
    headroom_stops: float  # from its brightest primary in full light to where the recording clips
    cleanup: float  # crossings in the mean frame times the part of a soft edge that is lost or painted there
    merits: tuple[float, ...]  # 0 to 1, by MEASURES
    score: float  # their weighted mean


@dataclass(frozen=True, slots=True)
class PaintStudy:
    """All candidates of a plan, the best by its weights first."""

    screen: tuple[float, float, float]
    clean_crunch: float  # what the bare screen's noise alone asks of the matte's black
    scene: Scene
    weights: PaintChoice
    channel: str
    candidates: tuple[Candidate, ...]


@dataclass(frozen=True, slots=True)
class ShotEdges:
    """What one shot's sightings say about the edges that cleanup meets."""

    frames: int
    crossings: int  # markers that a silhouette cuts, summed over frames
    disc_px: float  # median defocus disc at trackable features; nan without any


def study_paint(plan: Plan, scene: Scene) -> PaintStudy:
    """Measure and rank every candidate: black, white, the screen's paint lighter, darker and turned to the other
    primaries, and every patch of the plan."""
    judge = _judge(plan, scene)
    rows = [_measured(judge, name, paint) for name, paint in candidates_of(plan, judge.choice.step)]
    rows.sort(key=lambda row: -row.score)
    screen = _triple(judge.screen)
    return PaintStudy(screen, _clean(judge, scene.shade), scene, judge.choice, judge.criteria.channel, tuple(rows))


def candidates_of(plan: Plan, step: float) -> list[tuple[str, np.ndarray]]:
    """(name, reflectance (3,)) of what could be painted; a reflectance that a lighter step would pass is held at 1."""
    screen = linear_named(plan, plan.stage.paint)
    strongest = key.key_channel(screen)
    turned = []
    for other in range(3):
        if other != strongest:
            order = [0, 1, 2]
            order[strongest], order[other] = other, strongest
            turned.append((f"screen turned {('red', 'green', 'blue')[other]}", screen[order]))
    general = [
        (f"screen, {step:g} stop lighter", np.minimum(screen * 2**step, 1.0)),
        (f"screen, {step:g} stop darker", screen * 2**-step),
        ("black", np.full(3, BLACK.value)),
        ("white", np.full(3, WHITE.value)),
        *turned,
    ]
    own = [(paint.name, linear_of(paint)) for paint in plan.paints if paint.name not in _screens(plan)]
    taken = {name for name, _ in own}
    return [*own, *((f"{name} (general)" if name in taken else name, paint) for name, paint in general)]


def scene_of(plan: Plan, layout: Layout, shots: Sequence[ShotEdges] = ()) -> Scene:
    """Light at the layout's markers (at all surfaces where it has none), and what its shots meet on the average."""
    on = layout.features.surface >= 0
    levels = light_levels(plan, layout)[:, on]
    levels = levels if levels.size else np.array([[surface.light for surface in layout.surfaces] or [1.0]])
    frames = sum(shot.frames for shot in shots)
    soft = [shot for shot in shots if np.isfinite(shot.disc_px)]
    counted = sum(shot.frames for shot in soft)
    disc = sum(shot.disc_px * shot.frames for shot in soft) / counted if counted else TYPICAL_DISC_PX
    crossings = sum(shot.crossings for shot in shots) / frames if frames else 0.0
    return Scene(float(levels.max()), float(levels.min()), disc, crossings)


def shot_edges(layout: Layout, sightings: Sightings) -> ShotEdges:
    """What a shot's sightings say about edges; they may go as soon as it returns."""
    discs = sightings.defocus_px[sightings.seen]
    median = float(np.median(discs)) if len(discs) else float("nan")
    return ShotEdges(len(sightings.why), int(edge_crossings(layout, sightings).sum()), median)


def edge_crossings(layout: Layout, sightings: Sightings) -> np.ndarray:
    """(F,) markers of which a silhouette hides some corners and leaves others in the picture."""
    corner = np.flatnonzero(layout.features.kind == CORNER)
    if not len(corner):
        return np.zeros(len(sightings.why), int)
    start = np.flatnonzero(np.diff(layout.features.owner[corner], prepend=-1))
    why = sightings.why[:, corner]
    hidden, open_ = why == HIDDEN, (why != HIDDEN) & (why != OUTSIDE) & (why != AWAY)
    cut = np.logical_or.reduceat(hidden, start, axis=1) & np.logical_or.reduceat(open_, start, axis=1)
    crossings: np.ndarray = cut.sum(axis=1)
    return crossings


@dataclass(frozen=True, slots=True, eq=False)
class _Judge:
    """What all candidates of a plan are measured by."""

    screen: np.ndarray  # (3,) reflectance
    cameras: tuple[Camera, ...]
    patches: dict[str, np.ndarray]  # what stands before the screen: the plan's patches, and paints of gear
    scene: Scene
    choice: PaintChoice
    criteria: ShotCriteria
    gamut: np.ndarray  # (C, 3) linear light of colours evenly spread over sRGB codes
    gamut_lab: np.ndarray  # (C, 3)

    @property
    def views(self) -> list[tuple[Camera, float]]:
        """Every camera in full light and in the darkest shadow."""
        return [(camera, level) for camera in self.cameras for level in (self.scene.light, self.scene.shade)]


def _judge(plan: Plan, scene: Scene) -> _Judge:
    steps = srgb_to_linear(np.linspace(0, 1, GAMUT_STEPS))
    gamut = np.stack(np.meshgrid(steps, steps, steps), axis=-1).reshape(-1, 3)
    used = {shot.camera for shot in plan.shots}
    return _Judge(
        screen=linear_named(plan, plan.stage.paint),
        cameras=tuple(camera for camera in plan.cameras if camera.name in used) or plan.cameras,
        patches=_foreground(plan),
        scene=scene,
        choice=plan.paint_choice or PaintChoice(),
        criteria=criteria_of(plan, plan.shots[0]) if plan.shots else ShotCriteria(),
        gamut=gamut,
        gamut_lab=lab_of(gamut),
    )


def _clean(judge: _Judge, level: float) -> float:
    """What the bare screen's noise asks of the matte's black under a light level."""
    screen = judge.screen * level
    return max((key.crunch(screen, screen, camera) for camera in judge.cameras), default=0.0)


def _measured(judge: _Judge, name: str, paint: np.ndarray) -> Candidate:
    screen, scene, choice, criteria = judge.screen, judge.scene, judge.choice, judge.criteria
    lit, shaded = ([_tracked(judge, paint, camera, level) for camera in judge.cameras]
                   for level in (scene.light, scene.shade))  # fmt: skip
    sigma, shadow_sigma = (max((row[1] for row in rows), default=np.inf) for rows in (lit, shaded))
    crunch = max((key.crunch(paint * level, screen * level, camera) for camera, level in judge.views), default=1.0)
    rim = max(
        (
            key.rim_px(paint * level, screen * level, camera, scene.disc_px, choice.most_crunch)
            for camera, level in judge.views
        ),
        default=0.0,
    )
    lost, lost_patches = _lost_colours(judge, paint, crunch)
    others = {other: p for other, p in judge.patches.items() if other != name}
    nearest, difference = _nearest(paint, others)
    brightest = max(float(paint.max()) * scene.light, 1e-9)
    headroom = min((float(np.log2(clip_level(camera) / brightest)) for camera in judge.cameras), default=np.inf)
    cleanup = scene.crossings * crunch
    merits = (
        max(0.0, 1 - sigma / criteria.match),  # contrast: from a sigma that no longer tracks to none at all
        max(0.0, 1 - shadow_sigma / criteria.match),
        1 - crunch,  # key: the part of a soft edge that is left
        1 / (1 + rim),  # rim: a pixel halves it
        (1 - lost) * (1 - len(lost_patches) / max(len(others), 1)),  # colours: the share kept, of gamut and patches
        float(np.clip(headroom, 0, 1)),  # clipping: a stop is enough
        1 / (1 + cleanup),  # cleanup: one crossing in every frame halves it
    )
    weights = np.array([getattr(choice, measure) for measure in MEASURES])
    score = float(np.dot(weights, merits) / weights.sum()) if weights.sum() > 0 else 0.0
    return Candidate(
        name=name,
        linear=_triple(paint),
        contrast=min((row[0] for row in lit), default=0.0),
        shadow_contrast=min((row[0] for row in shaded), default=0.0),
        stops=min((row[2] for row in lit), default=0.0),
        sigma_px=sigma,
        shadow_sigma_px=shadow_sigma,
        residue=float(key.matte(paint, screen)),
        crunch=crunch,
        rim_px=rim,
        lost_colours=lost,
        lost_patches=lost_patches,
        nearest_patch=nearest,
        nearest_difference=difference,
        headroom_stops=headroom,
        cleanup=cleanup,
        merits=tuple(float(merit) for merit in merits),
        score=score,
    )


def _tracked(judge: _Judge, paint: np.ndarray, camera: Camera, level: float) -> tuple[float, float, float]:
    """Contrast in codes, sigma of a match in px and contrast in stops of a right-angled corner without motion."""
    criteria = judge.criteria
    contrast, noise, stops = edge_signal(paint * level, judge.screen * level, camera, criteria.channel)
    covariance, _ = corner_covariance(
        CORNER_PX, contrast, noise, judge.scene.disc_px, (0.0, 0.0), criteria.window, code_step=code_step(camera)
    )
    return float(contrast), float(larger_sigma(covariance[[0, 0, 1], [0, 1, 1]])), float(stops)


def _lost_colours(judge: _Judge, paint: np.ndarray, crunch: float) -> tuple[float, tuple[str, ...]]:
    """Share of the gamut, and the patches, that a clean key holds and the cure for this marker takes.

    Where the matte is crunched, all that stands no higher in it than the marker; where the marker is painted out or
    keyed by its own colour, all that looks like it.
    """
    choice, own, clean = judge.choice, lab_of(paint), _clean(judge, judge.scene.light)

    def lost(linear: np.ndarray, lab: np.ndarray) -> np.ndarray:
        alpha = key.matte(linear, judge.screen)
        by_hand = crunch > choice.most_crunch
        gone: np.ndarray = ciede2000(lab, own) < choice.alike if by_hand else alpha <= crunch
        return gone & (alpha > clean)

    named = {name: (patch, lab_of(patch)) for name, patch in judge.patches.items()}
    gone = tuple(n for n, (patch, lab) in named.items() if ciede2000(lab, own) >= SAME and lost(patch, lab))
    return float(lost(judge.gamut, judge.gamut_lab).mean()), gone


def _nearest(paint: np.ndarray, patches: dict[str, np.ndarray]) -> tuple[str, float]:
    apart = {name: float(ciede2000(lab_of(patch), lab_of(paint))) for name, patch in patches.items()}
    return min(apart.items(), key=lambda item: item[1]) if apart else ("", float("inf"))


def _foreground(plan: Plan) -> dict[str, np.ndarray]:
    gear = {piece.paint for piece in plan.gear}
    colours = {paint.name: linear_of(paint) for paint in plan.paints if paint.name in gear}
    return colours | {patch.name: linear_of(patch) for patch in plan.patches}


def _screens(plan: Plan) -> set[str]:
    return {plan.stage.paint, *(flat.paint for flat in flat_surfaces(plan.stage))}


def _triple(linear: np.ndarray) -> tuple[float, float, float]:
    r, g, b = (float(v) for v in linear)
    return r, g, b
