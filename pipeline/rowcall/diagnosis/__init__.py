"""Diagnosis: the rules in force asked about a day, and the mathematics they share."""
