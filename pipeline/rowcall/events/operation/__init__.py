"""How the unit was run: when gas flowed, its starts and stops, and how cold the gas was in them."""
