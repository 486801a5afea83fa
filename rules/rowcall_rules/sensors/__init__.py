"""Rules of sensors: tags that are not to be trusted on a day."""
