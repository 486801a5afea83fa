"""Row sequences from header pressure alone: an even train of pulses, and its missing beats."""
