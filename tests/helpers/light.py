"""Lightness of colours, as WCAG 2.x measures it."""

from __future__ import annotations

import numpy as np

Color = tuple[float, float, float]


def luminance(color: Color) -> float:
    """Relative luminance as WCAG 2.x defines it."""
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in color]
    return float(np.dot((0.2126, 0.7152, 0.0722), linear))


def contrast(one: Color, other: Color) -> float:
    """Contrast ratio as WCAG 2.x defines it."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)
