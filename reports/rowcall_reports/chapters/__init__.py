"""The chapters of a report, each from the judged day to Markdown."""
