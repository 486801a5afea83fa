"""The site file as validated models: the plant, its baghouses, their tags and roles.

Every quantity is in its inside unit (see `units`); `site_file` reads the TOML.
"""

from __future__ import annotations

from rowcall.site.baghouse import Baghouse, Cleaning
from rowcall.site.plant import Folders, Mail, Plant, Reader, TakeIn, UnitsTable
from rowcall.site.roles import ROLES, Role, Serves
from rowcall.site.sample import Sample
from rowcall.site.site import Site
from rowcall.site.tag import Tag

__all__ = [
    "ROLES",
    "Baghouse",
    "Cleaning",
    "Folders",
    "Mail",
    "Plant",
    "Reader",
    "Role",
    "Sample",
    "Serves",
    "Site",
    "Tag",
    "TakeIn",
    "UnitsTable",
]
