"""Nightreel: record tonight's show line by line, prove the take, play it back through the desk tomorrow.

The package is laid out as the engineer's night runs; ``docs/how-it-works.md`` is the map of the house.
"""

__version__ = "0.1.0"

__all__ = ["__version__"]
