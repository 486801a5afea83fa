"""Rules on the rows: each valve and its pulses."""
