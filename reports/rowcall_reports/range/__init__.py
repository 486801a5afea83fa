"""The report of a range of days that were judged again: trends, cases, what differs and why."""
