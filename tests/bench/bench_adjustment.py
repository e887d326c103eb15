"""Bundle adjustment against the pip wheels of Ceres and GTSAM: ratios of CPU time on one thread, printed, not asserted.

Run in an environment of its own (the wheels do not belong to the project):

    pip install numpy pyceres==2.6 pycolmap==3.13.0 gtsam==4.3.0
    OPENBLAS_NUM_THREADS=1 PYTHONPATH=engine python tests/bench/bench_adjustment.py [--big] [--repeat 5]

Ceres gets pycolmap's C++ reprojection cost, SPARSE_NORMAL_CHOLESKY on shots (points eliminated by SPARSE_SCHUR on the
published problem), the same start, the same initial damping (trust region radius = 1 / damping) and the same stopping
rule: a relative fall of the cost below 1e-10. Times are of the solve call alone, median of the repeats.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import sys
import time
from collections.abc import Callable
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))
from ceres_datum import HELD, our_covariance
from published_problem import read_problem
from scatterproof.solve.adjustment import Rule, adjust
from scatterproof.solve.covariance import inform, marginals
from scatterproof.solve.network import K1, K2, Scene, Survey, Tracks, Unknowns
from scatterproof.solve.normal import Loss
from staged_shot import nudged, staged_shot

DAMPING = 1e-8


def median_time(run: Callable[[], object], repeat: int) -> tuple[float, object]:
    """Median CPU seconds over ``repeat`` runs after one to warm up, and the last result."""
    result, times = run(), []
    for _ in range(repeat):
        t = time.process_time()
        result = run()
        times.append(time.process_time() - t)
    return float(np.median(times)), result


def quaternions(rotation: np.ndarray) -> np.ndarray:
    """(F, 3, 3) as unit quaternions x, y, z, w."""
    m = rotation
    w = np.sqrt(np.maximum(1 + m[:, 0, 0] + m[:, 1, 1] + m[:, 2, 2], 0)) / 2
    q = np.stack([m[:, 2, 1] - m[:, 1, 2], m[:, 0, 2] - m[:, 2, 0], m[:, 1, 0] - m[:, 0, 1]], 1) / (4 * w[:, None])
    if (w < 1e-3).any():
        raise ValueError("a half turn")
    return np.column_stack([q, w])


class Ceres:
    """The same problem for Ceres; :meth:`solve` starts anew each time."""

    def __init__(self, tracks: Tracks, start: Scene, shared: bool, model: str, damping: float, solver: str):
        import pyceres
        import pycolmap
        from pycolmap.cost_functions import ReprojErrorCost

        self.ceres, self.damping, self.solver = pyceres, damping, solver
        rotation = start.cam_from_world_rotation
        inner = {"SIMPLE_PINHOLE": [], "RADIAL": [1, 2]}[model]
        centre = np.tile(start.centre_px, (len(start), 1))
        cameras = np.column_stack([start.focal_px, centre, start.inner[:, inner]])
        self.start = [
            quaternions(rotation),
            -np.einsum("fij,fj->fi", rotation, start.centres_m),
            start.points_m.copy(),
            cameras[:1] if shared else cameras,
        ]
        self.blocks = [[row.copy() for row in part] for part in self.start]
        q, t, x, k = self.blocks
        self.problem = pyceres.Problem()
        kind = getattr(pycolmap.CameraModelId, model)
        for f, p, uv in zip(tracks.frame, tracks.point, tracks.uv_px, strict=True):
            cost = ReprojErrorCost(kind, uv)
            self.problem.add_residual_block(cost, None, [q[f], t[f], x[p], k[0 if shared else f]])
        for row in q:
            self.problem.set_manifold(row, pyceres.EigenQuaternionManifold())
        for row in k:
            self.problem.set_manifold(row, pyceres.SubsetManifold(len(row), [1, 2]))

    def reset(self) -> None:
        """Back to the start."""
        for rows, part in zip(self.blocks, self.start, strict=True):
            for row, value in zip(rows, part, strict=True):
                row[:] = value

    def solve(self) -> object:
        """Ceres' summary."""
        self.reset()
        options = self.ceres.SolverOptions()
        options.linear_solver_type = getattr(self.ceres.LinearSolverType, self.solver)
        options.num_threads = 1
        options.function_tolerance, options.gradient_tolerance, options.parameter_tolerance = 1e-10, 0.0, 0.0
        options.initial_trust_region_radius = 1 / self.damping
        options.max_num_iterations = 200
        options.logging_type = self.ceres.LoggingType.SILENT
        summary = self.ceres.SolverSummary()
        self.ceres.solve(options, self.problem, summary)
        return summary


def gtsam_solve(tracks: Tracks, start: Scene, damping: float) -> Callable[[], tuple[float, int]]:
    """A function that solves the shot with GTSAM, frames eliminated first; one shared focal length."""
    import gtsam

    graph, initial = gtsam.NonlinearFactorGraph(), gtsam.Values()
    noise = gtsam.noiseModel.Isotropic.Sigma(2, 1.0)
    f, n = tracks.frames, tracks.points
    lens = f + n
    for i, j, uv in zip(tracks.frame, tracks.point, tracks.uv_px, strict=True):
        graph.add(gtsam.GeneralSFMFactor2Cal3f(uv, noise, int(i), int(f + j), lens))
    for i, pose in enumerate(start.world_from_cam):
        initial.insert(i, gtsam.Pose3(pose))
    for j, point in enumerate(start.points_m):
        initial.insert(f + j, point)
    initial.insert(lens, gtsam.Cal3f(float(start.focal_px[0]), *map(float, start.centre_px)))
    # GTSAM needs a gauge: the first camera, and the second one's distance, held hard (they stay where they start).
    graph.add(gtsam.PriorFactorPose3(0, initial.atPose3(0), gtsam.noiseModel.Isotropic.Sigma(6, 1e-6)))
    last = gtsam.noiseModel.Diagonal.Sigmas(np.array([1e3, 1e3, 1e3, 1e3, 1e3, 1e-6]))
    graph.add(gtsam.PriorFactorPose3(f - 1, initial.atPose3(f - 1), last))
    ordering = gtsam.Ordering()
    for key in range(lens + 1):
        ordering.push_back(key)

    def run() -> tuple[float, int]:
        params = gtsam.LevenbergMarquardtParams()
        params.setOrdering(ordering)
        params.setlambdaInitial(damping)
        params.setDiagonalDamping(True)
        params.setRelativeErrorTol(1e-10)
        params.setAbsoluteErrorTol(0.0)
        optimizer = gtsam.LevenbergMarquardtOptimizer(graph, initial, params)
        optimizer.optimize()
        return optimizer.error(), optimizer.iterations()

    return run


def ceres_covariance(ceres: Ceres, scene: Scene) -> tuple[Callable[[], object], Callable[[object], np.ndarray]]:
    """Functions that compute the pose covariances at ``scene``, and read them (F - 1, 6, 6): turn, translation."""
    api, (q, t, _, _) = ceres.ceres, ceres.blocks
    ceres.start[0][:], ceres.start[1][:] = quaternions(scene.cam_from_world_rotation), translations(scene)
    ceres.start[2][:], ceres.start[3][:, 0] = scene.points_m, scene.focal_px[0]
    ceres.reset()
    ceres.problem.set_parameter_block_constant(q[0])
    ceres.problem.set_parameter_block_constant(t[0])
    ceres.problem.set_manifold(t[-1], api.SubsetManifold(3, [HELD]))
    pairs = [pair for a, b in zip(q[1:], t[1:], strict=True) for pair in ((a, a), (a, b), (b, b))]

    def run() -> object:
        options = api.CovarianceOptions()
        options.num_threads = 1
        covariance = api.Covariance(options)
        if not covariance.compute(pairs, ceres.problem):
            raise RuntimeError("Ceres finds the problem singular")
        return covariance

    def read(covariance: object) -> np.ndarray:
        out = np.zeros((len(q) - 1, 6, 6))
        for f, (a, b) in enumerate(zip(q[1:], t[1:], strict=True)):
            free = [3, 4, 5] if f < len(q) - 2 else [3 + i for i in range(3) if i != HELD]
            aa, ab, bb = (
                covariance.get_covariance_block_tangent_space(x, y, ceres.problem) for x, y in ((a, a), (a, b), (b, b))
            )
            out[f, :3, :3] = aa
            out[f][np.ix_([0, 1, 2], free)] = ab
            out[f][np.ix_(free, [0, 1, 2])] = ab.T
            out[f][np.ix_(free, free)] = bb
        return out

    return run, read


def translations(scene: Scene) -> np.ndarray:
    """(F, 3) translations -R c."""
    return -np.einsum("fij,fj->fi", scene.cam_from_world_rotation, scene.centres_m)


def covariances(repeat: int) -> None:
    """All pose covariances at the solution, in the datum that Ceres can express."""
    truth, uv = staged_shot(240, 200, noise_px=0.3, seed=1)
    tracks, start = Tracks.from_grid(uv), nudged(truth, seed=2)
    rule = Rule(cost=1e-10, step_sigma=0.0, damping=DAMPING)
    solving, solved = median_time(lambda: adjust(tracks, start, Unknowns("shared"), rule=rule), repeat)
    scene = solved.scene
    print("covariance of all poses, 240 frames x 200 points")
    seconds, ours = median_time(lambda: our_covariance(tracks, scene), repeat)
    print(f"  {'this covariance':34s} {seconds:8.3f} s   of this adjustment's time {seconds / solving:.3f}")
    run, read = ceres_covariance(Ceres(tracks, scene, True, "SIMPLE_PINHOLE", DAMPING, "SPARSE_NORMAL_CHOLESKY"), scene)
    t = time.process_time()
    theirs = read(run())
    took = time.process_time() - t
    size = np.sqrt(np.einsum("fii->fi", theirs))
    size[-1, 3 + HELD] = 1.0
    gap = np.abs(ours - theirs) / (size[:, :, None] * size[:, None])
    ratio = f"ours / this {seconds / took:.4f}   largest gap {gap.max():.1e}"
    print(f"  {'Ceres wheel, sparse QR':34s} {took:8.3f} s   {ratio}")


def record() -> None:
    """Write Ceres' covariance of a small shot for the tests that run without Ceres."""
    truth, uv = staged_shot(12, 30, noise_px=0.3, seed=5)
    ceres = Ceres(Tracks.from_grid(uv), truth, True, "SIMPLE_PINHOLE", DAMPING, "SPARSE_NORMAL_CHOLESKY")
    run, read = ceres_covariance(ceres, truth)
    text = json.dumps({"pose": read(run()).round(20).tolist()})
    (Path(__file__).parents[1] / "outside" / "data" / "covariance-ceres.json").write_text(text + "\n")


def extras(repeat: int) -> None:
    """What a robust loss, lens unknowns, a survey and oblong sightings cost: time per step against the plain case."""
    truth, uv = staged_shot(240, 200, noise_px=0.3, seed=1)
    start = nudged(truth, seed=2)
    tracks = Tracks.from_grid(uv, covariance_px2=0.09)
    oblong = Tracks.from_grid(uv, covariance_px2=np.broadcast_to([[0.12, 0.03], [0.03, 0.06]], (240, 200, 2, 2)))
    survey = Survey(np.arange(0, 200, 20), truth.points_m[::20], 1e-6 * np.eye(30))
    rule = Rule(cost=1e-10, step_sigma=0.0, damping=DAMPING)
    shared, lens = Unknowns("shared"), Unknowns("shared", (K1, K2))
    cases = {
        "plain": lambda: adjust(tracks, start, shared, rule=rule),
        "Huber loss": lambda: adjust(tracks, start, shared, loss=Loss("huber", 2.0), rule=rule),
        "k1 and k2 unknown": lambda: adjust(tracks, start, lens, rule=rule),
        "ten surveyed points": lambda: adjust(tracks, start, shared, survey=survey, rule=rule),
        "oblong covariances": lambda: adjust(oblong, start, shared, rule=rule),
    }
    print("time per step, 240 frames x 200 points")
    plain = None
    for name, run in cases.items():
        seconds, done = median_time(run, repeat)
        each = seconds / done.iterations
        plain = plain or each
        print(f"  {name:34s} {each:8.4f} s   against plain {each / plain:.2f}   steps {done.iterations}", flush=True)


def scaling() -> None:
    """Time and memory of adjustment and covariance as shots grow."""
    for f, n in ((240, 200), (1000, 400), (2000, 1000)):
        truth, uv = staged_shot(f, n, noise_px=0.3, seed=1)
        tracks, start = Tracks.from_grid(uv), nudged(truth, seed=2)
        t = time.process_time()
        done = adjust(tracks, start, Unknowns("shared"), rule=Rule(cost=1e-10, step_sigma=0.0, damping=DAMPING))
        u = time.process_time()
        marginals(inform(tracks, done.scene, Unknowns("shared")))
        v = time.process_time()
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(
            f"  {f} x {n}: adjustment {u - t:.2f} s, covariance {v - u:.2f} s, peak memory so far {peak:.0f} MB",
            flush=True,
        )


def line(name: str, seconds: float, cost: float, iterations: int, ours: float | None = None) -> None:
    """One row of the table."""
    ratio = "" if ours is None else f"   ours / this {ours / seconds:.3f}"
    print(f"  {name:34s} {seconds:8.3f} s   cost {cost:.6f}   iterations {iterations}{ratio}", flush=True)


def shots(big: bool, repeat: int) -> None:
    """Stage-shaped shots, one shared unknown focal length."""
    for f, n in ((240, 200), (1000, 400)) if big else ((240, 200),):
        truth, uv = staged_shot(f, n, noise_px=0.3, seed=1)
        start = nudged(truth, seed=2)
        tracks = Tracks.from_grid(uv)
        rule = Rule(cost=1e-10, step_sigma=0.0, damping=DAMPING)
        print(f"{f} frames x {n} points")
        seconds, ours = median_time(lambda t=tracks, s=start, r=rule: adjust(t, s, Unknowns("shared"), rule=r), repeat)
        line("this adjustment", seconds, ours.cost[-1], ours.iterations)
        if f < 500:
            took, (cost, iterations) = median_time(gtsam_solve(tracks, start, DAMPING), 1)
            line("GTSAM wheel, frames first", took, cost, iterations, seconds)
        problem = Ceres(tracks, start, True, "SIMPLE_PINHOLE", DAMPING, "SPARSE_NORMAL_CHOLESKY")
        took, summary = median_time(problem.solve, repeat if f < 500 else min(repeat, 3))
        line("Ceres wheel, SPARSE_NORMAL_CHOLESKY", took, summary.final_cost, summary.num_linear_solves, seconds)


def published(repeat: int) -> None:
    """The published problem of 16 cameras and 22,106 points."""
    tracks, start = read_problem()
    unknowns = Unknowns("frame", (K1, K2), distortion_per_frame=True)
    print("16 cameras x 22106 points, published")
    for damping in (1e-4,):
        rule = Rule(cost=1e-10, step_sigma=0.0, iterations=200, damping=damping)
        seconds, ours = median_time(lambda r=rule: adjust(tracks, start, unknowns, rule=r), repeat)
        line("this adjustment", seconds, ours.cost[-1], ours.iterations)
        for solver in ("SPARSE_SCHUR", "DENSE_SCHUR"):
            took, summary = median_time(Ceres(tracks, start, False, "RADIAL", damping, solver).solve, repeat)
            line(f"Ceres wheel, {solver}", took, summary.final_cost, summary.num_linear_solves, seconds)


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--big", action="store_true", help="1000 x 400 too (Ceres takes its time)")
    parser.add_argument("--repeat", type=int, default=5)
    parser.add_argument("--scaling", action="store_true", help="only our own time and memory as shots grow")
    parser.add_argument("--record", action="store_true", help="only write the reference covariance of the tests")
    args = parser.parse_args()
    if args.record:
        record()
        return
    if args.scaling:
        scaling()
        return
    shots(args.big, args.repeat)
    published(args.repeat)
    covariances(args.repeat)
    extras(args.repeat)


if __name__ == "__main__":
    main()
