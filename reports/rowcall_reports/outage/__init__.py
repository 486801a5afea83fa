"""Sheets for a planned stop: what to do, how to start again, which bags; for people on site."""
