"""Temperature limits of filter fibres, and how they resist acids and alkalis.

Source: APTI Self-Instructional Course SI:412A, Lesson 4, Table 4-1 (continuous and surge
temperature, resistance to acids and alkalis); every entry below was compared with an excerpt of
that table. Published tables disagree by tens of degrees for some fibres (a 2004 textbook gives
aromatic polyamide 375 degF, for example): the maker's data sheet for the bags in service decides,
and the site file can state its limits with `continuous_limit` and `surge_limit`.
"""

from __future__ import annotations

from enum import StrEnum

from rowcall.units import find_unit

SOURCE = "APTI SI:412A, Lesson 4, Table 4-1"


class Fibre(StrEnum):
    """Fibres with published limits; the value is the word the site file uses."""

    COTTON = "cotton"
    POLYPROPYLENE = "polypropylene"
    WOOL = "wool"
    POLYAMIDE = "polyamide"
    ACRYLIC = "acrylic"
    POLYESTER = "polyester"
    ARAMID = "aramid"
    PPS = "pps"
    POLYIMIDE = "polyimide"
    PTFE = "ptfe"
    GLASS = "glass"


# Continuous and surge limit, in degF as printed in the source.
LIMITS_DEGF: dict[Fibre, tuple[float, float]] = {
    Fibre.COTTON: (180, 225),
    Fibre.POLYPROPYLENE: (190, 200),
    Fibre.WOOL: (200, 250),
    Fibre.POLYAMIDE: (200, 250),
    Fibre.ACRYLIC: (240, 260),
    Fibre.POLYESTER: (275, 325),
    Fibre.ARAMID: (400, 425),
    Fibre.PPS: (375, 450),
    Fibre.POLYIMIDE: (450, 500),
    Fibre.PTFE: (450, 500),
    Fibre.GLASS: (500, 550),
}

# Resistance to acids and to alkalis, as printed in the source.
RESISTANCE: dict[Fibre, tuple[str, str]] = {
    Fibre.COTTON: ("poor", "excellent"),
    Fibre.POLYPROPYLENE: ("excellent", "excellent"),
    Fibre.WOOL: ("good", "poor"),
    Fibre.POLYAMIDE: ("poor to fair", "excellent"),
    Fibre.ACRYLIC: ("very good", "fair"),
    Fibre.POLYESTER: ("good", "fair"),
    Fibre.ARAMID: ("fair", "very good"),
    Fibre.PPS: ("excellent", "excellent"),
    Fibre.POLYIMIDE: ("good", "fair"),
    Fibre.PTFE: ("excellent", "excellent"),  # save for fluorine and molten alkali metals
    Fibre.GLASS: ("good", "poor"),
}


def limits_c(fibre: Fibre) -> tuple[float, float]:
    """Return the continuous and the surge limit of a fibre [Cel]."""
    continuous, surge = map(find_unit("[degF]").to_inside, LIMITS_DEGF[fibre])
    return continuous, surge
