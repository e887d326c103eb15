"""The plan file: its data, and the way in and out of TOML."""
