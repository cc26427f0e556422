"""Readings from a tape measure: what was written, the same statistics as of a photograph, and a check by it."""

from holecount.tape.check import Check, check, check_alone
from holecount.tape.reading import QUANTITY_NAMES, Basis, Quantity, Reading, read_list, refuse_impossible
from holecount.tape.readings_file import read_file, read_text
from holecount.tape.statistics import Tape, TapeSettings, mean_words, tape_stats

__all__ = [
    "QUANTITY_NAMES",
    "Basis",
    "Check",
    "Quantity",
    "Reading",
    "Tape",
    "TapeSettings",
    "check",
    "check_alone",
    "mean_words",
    "read_file",
    "read_list",
    "read_text",
    "refuse_impossible",
    "tape_stats",
]
