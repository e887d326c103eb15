"""After the shoot: survey files in, the as-built stage with its uncertainties, a solved camera audited, points out."""
