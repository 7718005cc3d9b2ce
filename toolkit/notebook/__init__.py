"""What a notebook shows and asks."""
