"""Two systems of units that a site file may ask for, and what is only written in each of them."""

from __future__ import annotations

from rowcall.site import UnitsTable

SYSTEMS = {
    "metric": UnitsTable(),
    "us": UnitsTable(
        dp="[in_i'H2O]",
        pressure="[psi]",
        temperature="[degF]",
        gas_flow="[cft_i]/min",
        air="[cft_i]",
    ),
}
WORDS = {
    "metric": r"\b(k?Pa|m?bar|K|m³|m/s)\b|·s/m|°C|m³|degree-minutes",
    "us": r"in\. w\.c\.|\bpsig?\b|\bacfm\b|°F|ft³|\bft\b",
}
OTHER = {"metric": "us", "us": "metric"}
