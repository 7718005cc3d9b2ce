"""What else could explain the change, by theme, and the adjustment steps."""
