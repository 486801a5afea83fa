"""Cells to instants, numbers and quality codes, each with the reason where it is none."""
