"""What is asked: the question sheet, its seal, and how often its records have been looked at."""
