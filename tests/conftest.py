"""What every test shares: property tests draw the same examples each run, and figures need no screen."""

import os
import tempfile

from hypothesis import HealthCheck, settings

os.environ.setdefault("MPLBACKEND", "agg")
os.environ["SESSION_OUTCOMES_HOME"] = tempfile.mkdtemp(prefix="session-outcomes-")  # no key in anyone's home

settings.register_profile(
    "repeatable", deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow], print_blob=False
)
settings.load_profile("repeatable")
