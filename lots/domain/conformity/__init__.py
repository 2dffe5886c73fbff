"""Where a number meets a limit: inclusive ends, guard bands, steps."""
