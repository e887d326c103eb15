"""What was rehearsed last in each scene, unsaved, and whether it still holds."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field

import bpy
from scatterproof.plan.model import Plan
from scatterproof.plan.write import dump_plan
from scatterproof.readiness.rehearse import Rehearsal


def digest(plan: Plan) -> str:
    """A fingerprint of a plan."""
    return hashlib.sha256(dump_plan(plan).encode()).hexdigest()


@dataclass
class Store:
    """Rehearsals by scene; forgotten when another file is loaded."""

    kept: dict[int, tuple[str, tuple[Rehearsal, ...]]] = field(default_factory=dict)

    def remember(self, scene: bpy.types.Scene, state: str, rehearsals: tuple[Rehearsal, ...]) -> None:
        """Keep a scene's rehearsals; ``state``: a fingerprint of all they depend on."""
        self.kept[scene.session_uid] = (state, rehearsals)

    def last(self, scene: bpy.types.Scene) -> tuple[Rehearsal, ...]:
        """The last rehearsals of a scene, empty where there are none."""
        return self.kept.get(scene.session_uid, ("", ()))[1]

    def holds(self, scene: bpy.types.Scene, state: str) -> bool:
        """Whether the scene's rehearsals are of this very state."""
        return self.kept.get(scene.session_uid, ("", ()))[0] == state

    def forget(self) -> None:
        """Drop everything."""
        self.kept.clear()


STORE = Store()
