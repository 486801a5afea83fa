"""Rules on cleaning control: set points, intervals, and when rows are pulsed at all."""
