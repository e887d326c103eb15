"""What the buttons of the solve preview do: simulate a take of every shot, solve it, show its camera and its insert."""

from __future__ import annotations

from collections.abc import Generator
from concurrent.futures import Future, ThreadPoolExecutor, wait

import bpy
from scatterproof.prove.ghost import Ghost, ghost_of
from scatterproof.readiness.rehearse import Progress, Rehearsal

from ..bridge import tags
from ..bridge.ghost import PART, show_solves
from ..bridge.stubs import held
from ..store import STORE
from . import staging

WAIT_S = 0.01  # that a window may spend on a look whether a solve is done


def preview(scene: bpy.types.Scene, seed: int) -> Generator[Progress, None, int]:
    """Rehearse where the scene has changed since, solve the take of this seed, show it; returns how many shots solve.

    Solves run beside the window in a thread: they touch arrays only. Where it is given up nothing is shown, and what is
    being computed is forgotten when it is done.
    """
    seen = yield from staging.look(scene)
    if not STORE.holds(scene, seen.digest):
        yield from staging.rehearse_scene(scene)
    rehearsals = STORE.last(scene)
    pool, done = ThreadPoolExecutor(1), []
    try:
        tasks = [pool.submit(ghost_of, r.network, r.track, seed) for r in rehearsals]
        for rehearsal, task in zip(rehearsals, tasks, strict=True):
            done.append((yield from _awaited(rehearsal, task)))
    finally:
        pool.shutdown(wait=False, cancel_futures=True)
    show_solves(scene, zip(rehearsals, done, strict=True))
    return sum(ghost.camera is not None for ghost in done)


def _awaited(rehearsal: Rehearsal, task: Future[Ghost]) -> Generator[Progress, None, Ghost]:
    while not wait([task], WAIT_S).done:
        yield Progress(rehearsal.shot.name, 0, len(rehearsal.track))
    return task.result()


def shown(scene: bpy.types.Scene) -> list[tuple[str, list[str]]]:
    """(shot, what is written above its insert) of what the scene shows, whoever made it."""
    words = [thing for thing in tags.tagged(scene, PART) if thing.type == "FONT"]
    return [(tags.entry_of(thing), str(held(thing.data, "body")).splitlines()) for thing in words]
