"""The rig kit: printed pages and lists from which a crew builds the stage."""
