"""Finding: what the measurements mean for the take."""
