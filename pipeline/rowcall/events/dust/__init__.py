"""Opacity and dust signal: base level, checks of the monitor, puffs of the rows."""
