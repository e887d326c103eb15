collect_ignore = ["walk.py", "window_shots.py"]  # run inside Blender's window
