"""Reads the published bundle-adjustment problem 16-22106.

Source: Agarwal, Snavely, Seitz, Szeliski, "Bundle Adjustment in the Large", ECCV 2010; the file travels here under the
BSD-3-Clause licence, as packaged by Debian (see the note beside it).
"""

from __future__ import annotations

import bz2
from pathlib import Path

import numpy as np
from scatterproof.solve.network import Scene, Tracks
from scatterproof.solve.normal import rotation_of

FILE = Path(__file__).parents[1] / "outside" / "data" / "problem-16-22106-pre.txt.bz2"


def read_problem() -> tuple[Tracks, Scene]:
    """Sightings and start. The file's cameras look along -z with y up; ours look along z, y down."""
    numbers = np.array(bz2.decompress(FILE.read_bytes()).split(), float)
    cameras, points, k = numbers[:3].astype(int)
    seen = numbers[3 : 3 + 4 * k].reshape(k, 4)
    camera = numbers[3 + 4 * k :][: 9 * cameras].reshape(cameras, 9)
    point = numbers[3 + 4 * k + 9 * cameras :].reshape(points, 3)
    rotation = rotation_of(camera[:, :3])
    pose = np.tile(np.eye(4), (cameras, 1, 1))
    pose[:, :3, :3] = (np.diag([1.0, -1.0, -1.0]) @ rotation).transpose(0, 2, 1)
    pose[:, :3, 3] = -np.einsum("fji,fj->fi", rotation, camera[:, 3:6])
    distortion = np.zeros((cameras, 5))
    distortion[:, :2] = camera[:, 7:9]
    tracks = Tracks.from_list(seen[:, 0].astype(int), seen[:, 1].astype(int), seen[:, 2:] * [1, -1])
    return tracks, Scene(pose, point, camera[:, 6], np.zeros(2), distortion)
