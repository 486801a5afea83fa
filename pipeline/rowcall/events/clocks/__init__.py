"""The offset between the clocks of solenoid bits and header pressure, constant or drifting."""
