"""How an export is written: encoding, delimiter, header, and which column is what."""
