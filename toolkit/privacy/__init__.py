"""From an office export to records fit for analysis: what may stay, what goes, and the key kept apart."""
