"""Measures on images. They never call a prediction."""
