"""Echoes in, images out: what would run on board. No files, no printing, no clock, no random numbers."""
