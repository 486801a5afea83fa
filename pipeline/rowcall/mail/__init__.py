"""Mailing reports: the message, the hand-over by SMTP, and no second copy."""
