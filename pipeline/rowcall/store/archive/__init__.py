"""Samples of old days, moved out of the store into a Parquet file a day."""
