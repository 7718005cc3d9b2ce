"""The claim rule, the question, its seal and its looks: what may be said, and what is asked."""
