"""Predictions as pure formulas: what an array, a pulse, a speed and a depth should give.

Nothing that measures an image calls these: a prediction and its check never share code.
"""
