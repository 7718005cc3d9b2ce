"""One audit's findings: each question judged, put together as data."""
