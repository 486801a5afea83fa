"""Days of starts and of cleaning on demand whose truth is known, by two physics."""
