"""Pages about instruments and references: checks, studies, working copies."""
