"""What each tag shows of itself, and against what physics ties it to."""
