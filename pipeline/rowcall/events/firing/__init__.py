"""Which row was pulsed when: recorded by the controller, or inferred from header pressure."""
