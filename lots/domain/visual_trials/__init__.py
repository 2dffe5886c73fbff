"""Visual trials: the tolerance of the observers, and the limits that follow from it."""
