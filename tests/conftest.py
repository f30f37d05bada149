"""What all tests share."""

import os

from hypothesis import settings

# The same examples every time, so that main is green or not for a reason; SPLENDENS_SEARCH=1 looks
# for new ones.
settings.register_profile("steady", derandomize=True, deadline=None)
settings.register_profile("search", deadline=None)
settings.load_profile("search" if os.environ.get("SPLENDENS_SEARCH") else "steady")
