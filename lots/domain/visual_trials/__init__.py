"""Visual trials: the tolerance that observers show, and the limits it supports."""
