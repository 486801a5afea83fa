"""What a header does: its refill after pulses, and its pressure while nothing pulses."""
