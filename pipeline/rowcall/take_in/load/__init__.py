"""Tables of cells to sorted samples, and these into the store."""
