"""What rules of sensors share, and what a condemned tag means for the other rules."""
