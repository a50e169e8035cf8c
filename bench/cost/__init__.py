"""Cost: the project's stages against fixed rivals, ceilings of the machine, growth, memory, start-up."""
