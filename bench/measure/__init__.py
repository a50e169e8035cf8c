"""Measures on images. They never call a prediction.

Images are (along, across) arrays of intensity with NaN where nothing was seen; lengths are in metres or pixels, as
the names say. Resolution cells, where they are needed for counting, are measured on the image or passed in.

``trend``: slow mean level; ``correlation``: pixels per independent value; ``speckle``: equivalent number of looks
and agreement with a gamma law; ``resolution``: point response; ``contrast``: regions against each other; ``noise``:
signal to noise, level errors.
"""
