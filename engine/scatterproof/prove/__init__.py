"""How well a planned shot solves: predicted from the covariance, and tried on simulated and recorded tracks."""
