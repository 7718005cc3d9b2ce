"""What every test shares: property tests draw the same examples each run, and figures need no screen."""

import os

from hypothesis import HealthCheck, settings

os.environ.setdefault("MPLBACKEND", "agg")

settings.register_profile(
    "repeatable", deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow], print_blob=False
)
settings.load_profile("repeatable")
