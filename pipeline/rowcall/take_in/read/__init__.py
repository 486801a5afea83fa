"""The content of an export as tables of cells, or as typed columns in one pass."""
