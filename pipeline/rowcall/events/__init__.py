"""Events: signals -> pulses (how the header answered each fire), cleaning cycles, daily facts."""
