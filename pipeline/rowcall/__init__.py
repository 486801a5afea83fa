"""rowcall: the nightly check-up of pulse-jet baghouses from exported historian data."""

from __future__ import annotations


def __getattr__(name: str) -> str:
    """Return `__version__` from the package's metadata, which takes long to load."""
    if name != "__version__":
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib.metadata import version

    return version("rowcall")
