"""Pulses stacked on the time since the pulse, far below the sampling period."""
