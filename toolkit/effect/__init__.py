"""Who is compared with whom, was it chance, the one estimate, missing readings."""
