"""Two protocols compared: who got which, how far they differ, what else could explain it."""
