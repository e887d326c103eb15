# run inside Blender's window
collect_ignore = ["walk.py", "walk_survey.py", "walk_kit.py", "walk_live.py", "walk_solve.py", "window_shots.py"]
