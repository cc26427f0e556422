"""Holes: spotted in the picture, gauged at the rim."""
