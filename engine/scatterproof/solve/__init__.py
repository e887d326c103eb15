"""What a camera solve can get out of the sightings."""
