"""The only translator between Blender's scene and the plan: units, axes, names, keys, evaluated cameras."""
