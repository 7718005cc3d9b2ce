"""Files in, tidy rows out: every row kept or set aside with its reason."""
