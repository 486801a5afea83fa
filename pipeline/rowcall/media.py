"""Temperature limits of filter fibres.

Source: APTI Self-Instructional Course SI:412A, Lesson 4, Table 4-1 (continuous and surge
temperature); every number below was compared with an excerpt of that table. Published tables
disagree by tens of degrees for some fibres (a 2004 textbook gives aromatic polyamide 375 degF, for
example): the maker's data sheet for the bags in service decides, and the site file can state its
limits with `continuous_limit` and `surge_limit`.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

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


@dataclass(frozen=True, slots=True)
class MediaLimits:
    """Limits of one fibre, in degF as printed in the source."""

    continuous_degf: float
    surge_degf: float

    @property
    def continuous_c(self) -> float:
        """Continuous limit in Cel."""
        return (self.continuous_degf - 32) / 1.8

    @property
    def surge_c(self) -> float:
        """Surge limit in Cel."""
        return (self.surge_degf - 32) / 1.8


LIMITS: dict[Fibre, MediaLimits] = {
    Fibre.COTTON: MediaLimits(180, 225),
    Fibre.POLYPROPYLENE: MediaLimits(190, 200),
    Fibre.WOOL: MediaLimits(200, 250),
    Fibre.POLYAMIDE: MediaLimits(200, 250),
    Fibre.ACRYLIC: MediaLimits(240, 260),
    Fibre.POLYESTER: MediaLimits(275, 325),
    Fibre.ARAMID: MediaLimits(400, 425),
    Fibre.PPS: MediaLimits(375, 450),
    Fibre.POLYIMIDE: MediaLimits(450, 500),
    Fibre.PTFE: MediaLimits(450, 500),
    Fibre.GLASS: MediaLimits(500, 550),
}
