"""The workbench: commands, measures, pictures."""
