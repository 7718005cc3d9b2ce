"""The coming season: whose turn is it to wait first, how many clients, what to record."""
