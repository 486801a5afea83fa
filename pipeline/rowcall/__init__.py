"""rowcall: the nightly check-up of pulse-jet baghouses from exported historian data."""

__version__ = "0.1.0"
