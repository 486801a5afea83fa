"""Rules on the filter: cloth and cake."""
