"""Words of the trade that the pages use."""

from __future__ import annotations

_WORDS = {
    "Row": "the bags under one blowpipe, cleaned together by one pulse valve",
    "Pulse": "one short blast of compressed air into a row",
    "Header": "the vessel of compressed air that the valves of a compartment or baghouse share",
    "Drop": "by how much header pressure falls at a pulse; what a sound valve lets out",
    "Peers, neighbours": "the rows on the same header that answer as usual",
    "Residual DP": "pressure drop across the bags just after cleaning; peak DP: just before",
    "Drag": "DP over face velocity: DP without the effect of the gas flow",
    "Plateau": "the header pressure that refilling tends to",
    "Stack": "all pulses of a row on one time axis, averaged",
    "Recovery": "time for the header to make up a drop",
    "Case": "what ails one place, followed from the first day it is found to the last",
    "Cannot tell": "the data of the day do not show whether it is so; not the same as clear",
}


def write_glossary() -> str:
    """Return the words with their meanings."""
    return "\n".join(f"- **{word}:** {meaning}." for word, meaning in _WORDS.items())
