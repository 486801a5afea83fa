"""The tables of a day for other systems: Parquet, JSON Lines, CSV."""
