"""Lens, keyed moves and the camera over the frames of a shot."""
