"""Condition: samples -> trusted signals in inside units, and the state of the unit by minute."""
