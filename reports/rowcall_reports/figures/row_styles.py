"""How the cells of the roll-call picture look: by letter, or by the depth of the drop."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from rowcall.model import Floats
from rowcall_reports.figures import canvas
from rowcall_reports.figures.canvas import Color
from rowcall_reports.figures.row_sheet import Letters
from rowcall_reports.row_marks import UNKNOWN


@dataclass(frozen=True, slots=True)
class Look:
    """A lettered cell: its ground, its letter, and a block within it of a share of its size."""

    ground: Color
    ink: Color
    block: Color | None = None
    across: float = 1.0
    down: float = 1.0


FULL_DROP: Color = (0.88, 0.94, 0.97)
WEAK_DROP: Color = (0.22, 0.45, 0.62)
_BLACK: Color = (0.08, 0.08, 0.10)
_WHITE: Color = (1.0, 1.0, 1.0)
# `tests` hold lightness and form to WCAG 2.x contrast ratios.
LOOKS: Mapping[str, Look] = {
    "S": Look(_BLACK, _WHITE),
    "N": Look(_BLACK, _BLACK, block=_WHITE, across=0.74, down=0.72),
    "M": Look(_BLACK, _BLACK, block=FULL_DROP, down=0.68),
    "W": Look(FULL_DROP, _WHITE, block=(0.16, 0.38, 0.56), down=0.64),
    "L": Look(canvas.RUST, _WHITE),
    "D": Look(FULL_DROP, _WHITE, block=(0.36, 0.24, 0.10), across=0.62, down=0.92),
    UNKNOWN.letter: Look((0.80, 0.80, 0.80), (0.25, 0.25, 0.27)),
}
_OTHER = Look(FULL_DROP, _WHITE, block=_BLACK, across=0.84, down=0.84)  # of letters without a look
_WEAK_RATIO = 0.4  # chosen: a drop of 40 % of its peers' is as dark as a shade gets


def shades(ratio: Floats, letter: Letters) -> Floats:
    """Return the ground of each cell: by letter, else by drop ratio, else white."""
    part = np.clip((ratio - _WEAK_RATIO) / (1 - _WEAK_RATIO), 0, 1)[..., None]
    out: Floats = np.asarray(WEAK_DROP) * (1 - part) + np.asarray(FULL_DROP) * part
    out[np.isnan(ratio)] = 1.0
    for mark in letters_in(letter):
        out[letter == mark] = look_of(mark).ground
    return out


def look_of(letter: str) -> Look:
    """Return how cells of a letter look."""
    return LOOKS.get(letter, _OTHER)


def letters_in(letter: Letters) -> list[str]:
    """Return the letters that cells carry."""
    return [str(one) for one in np.unique(letter) if one]
