"""The site file as validated models: the plant, its baghouses, their tags and roles.

Everything is kept in inside units (see `units`); `site_file` reads the TOML.
"""

from __future__ import annotations

from rowcall.site.baghouse import Baghouse, Cleaning
from rowcall.site.plant import Folders, Mail, Plant, TakeIn
from rowcall.site.roles import ROLE_DIMENSIONS, Role, Sample
from rowcall.site.site import Site
from rowcall.site.tag import Tag

__all__ = [
    "ROLE_DIMENSIONS",
    "Baghouse",
    "Cleaning",
    "Folders",
    "Mail",
    "Plant",
    "Role",
    "Sample",
    "Site",
    "Tag",
    "TakeIn",
]
