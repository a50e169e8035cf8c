"""pingloom: a workbench for the on-board image formation of side-looking sonar.

The rooms are :mod:`pingloom.imaging` (echoes in, images out), :mod:`pingloom.io` (files),
:mod:`pingloom.simulate` (a scenario in, echoes and their truth out) and :mod:`pingloom.bench`
(commands, measures, pictures). Importing this package imports none of them.
"""

from importlib.metadata import version as _version

__all__ = ["__version__"]

__version__ = _version("pingloom")
