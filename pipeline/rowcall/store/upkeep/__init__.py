"""What keeps a store whole over the years: checked, backed up, cleared of leftovers."""
