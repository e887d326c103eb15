"""The operator that asks how far takes may stray."""

from __future__ import annotations

from collections.abc import Iterator

import bpy
from scatterproof.readiness.rehearse import Progress

from .. import ids
from ..flows import straying
from .long import Long


class Stray(Long):
    """How many of 200 plausible takes of the shot at the playhead stay firm, and which limit is nearest"""

    bl_idname = ids.STRAY
    bl_label = "How far may it stray"
    bl_options = {"REGISTER"}

    def steps(self, context: bpy.types.Context) -> Iterator[Progress]:
        """Ask."""
        return straying.stray(context.scene)

    def done(self, context: bpy.types.Context) -> str:
        """Tell the latest."""
        shot, lines, _ = straying.said(context.scene)[-1]
        return f"{shot}: {'. '.join(lines)}"


CLASSES = (Stray,)
