"""Rules on the gas: its temperature and its dew points."""
