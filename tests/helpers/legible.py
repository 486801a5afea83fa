"""What of a picture's words is too small for a telephone, or cut."""

from __future__ import annotations

from matplotlib.figure import Figure
from matplotlib.text import Text

_PHONE_PX, _BESIDE_PX = 390, 2 * (12 + 4)  # the margin of the page, and the frame of a picture
_MIN_PX = 11.0


def illegible_words(figure: Figure) -> list[str]:
    """Return the words of a picture that are too small at the width of a telephone, or cut."""
    points_px = (_PHONE_PX - _BESIDE_PX) / (72 * figure.get_figwidth())
    across, tall = figure.get_size_inches() * figure.dpi
    shown = [one for one in figure.findobj(Text) if one.get_visible() and one.get_text()]
    assert shown
    wrong = []
    for words in shown:
        box = words.get_window_extent()
        is_whole = box.x0 >= 0 and box.y0 >= -1 and box.x1 <= across and box.y1 <= tall + 1
        if not is_whole or float(words.get_fontsize()) * points_px < _MIN_PX:
            wrong.append(words.get_text())
    return wrong
