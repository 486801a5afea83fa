"""What the gas is: its dew points and its viscosity."""
