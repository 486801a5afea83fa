"""The page of the day: what maintenance reads first."""
