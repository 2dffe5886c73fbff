"""Numbers of examples of property tests: a third before each commit, all in the whole check."""

from __future__ import annotations

import os

from hypothesis import settings

# The same examples every time, so that a check that passed here passes there; LOTS_TEST_EXPLORE=1 looks at new ones.
# No deadline, because a test must not depend on time.
settings.register_profile("commit", derandomize=True, deadline=None, max_examples=34)
settings.register_profile("thorough", derandomize=True, deadline=None, max_examples=100)
settings.register_profile("exploring", deadline=None, max_examples=100)
settings.load_profile("exploring" if os.environ.get("LOTS_TEST_EXPLORE") else "commit")


def examples(n: int) -> settings:
    """Returns settings for `n` examples in the whole check, of which a commit tries its share, as the profile says."""
    return settings(max_examples=max(1, n * settings().max_examples // 100))
