"""Rules on the compressed air: headers, their supply and their pressure."""
