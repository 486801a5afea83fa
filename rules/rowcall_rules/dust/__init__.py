"""Rules on opacity and dust signal after the filter."""
