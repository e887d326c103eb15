collect_ignore = ["walk.py", "walk_survey.py", "walk_kit.py", "window_shots.py"]  # run inside Blender's window
