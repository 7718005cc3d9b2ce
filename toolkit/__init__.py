"""From a year of session records to a claim one may make about one's own technique."""

__version__ = "0.1.0"
