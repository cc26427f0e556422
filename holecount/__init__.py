"""Count and gauge the holes of a stripped cane seat from one photograph."""

__version__ = "0.1.0"
