"""The page of all days of a report folder: cases, a calendar, a search."""
