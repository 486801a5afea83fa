"""The work log's way in: from the CSV file that people keep by hand to a `WorkLog`."""
