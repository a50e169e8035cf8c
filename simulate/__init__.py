"""A scenario in, echoes and their truth out."""
