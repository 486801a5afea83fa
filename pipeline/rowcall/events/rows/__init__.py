"""What the pulses say of each row: depth, closing, recovery, and which were answered."""
