"""Millimetres from what lies on the frame: cards, rulers, sheets, lengths given by hand, one plane fit."""
