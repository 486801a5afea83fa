"""What is done in several processes: baghouse-days studied and drawn, while this one judges."""
