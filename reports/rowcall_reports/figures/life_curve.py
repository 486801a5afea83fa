"""The share of bags that have not failed, by age: as found, and as fitted."""

from __future__ import annotations

import numpy as np

from rowcall.bags.survival import Weibull, kaplan_meier
from rowcall_reports import wording
from rowcall_reports.figures import canvas
from rowcall_reports.figures.picture import Picture

YEAR_D = 365.25
_TALL_IN = 1.8  # chosen by eye


def draw_life(baghouse: str, day: str, model: Weibull) -> Picture:
    """Return the picture; `day` as file names have it."""
    curve = kaplan_meier(model.lives)
    last = max(float(curve.age_d[-1]), *model.lives.sound)
    figure, (axes,) = canvas.stacked_axes([_TALL_IN])
    age, found, low, high = (
        np.append(np.append(first, values), values[-1])
        for first, values in (
            (0.0, curve.age_d / YEAR_D),
            (1.0, curve.share),
            (1.0, curve.low),
            (1.0, curve.high),
        )
    )
    age[-1] = last / YEAR_D
    axes.fill_between(age, 100 * low, 100 * high, step="post", color=canvas.GRID, linewidth=0)
    axes.step(age, 100 * found, where="post", color=canvas.INK, linewidth=1.5)
    ages = np.linspace(0.0, last, 200)
    fitted = 100 * model.survival(ages)
    axes.plot(ages / YEAR_D, fitted, color=canvas.BLUE, linewidth=1.2, linestyle=canvas.DASHES)
    bottom = max(0.0, 5 * np.floor((100 * float(low.min()) - 2) / 5))
    axes.set_ylim(bottom, 100.5)
    axes.set_xlim(0, 1.02 * last / YEAR_D)
    gap = 0.06 * (100.5 - bottom)
    ends = float(100 * found[-1]), float(fitted[-1])
    apart = max(0.0, 2 * gap - abs(ends[0] - ends[1])) / 2 * (1 if ends[0] >= ends[1] else -1)
    canvas.write_beside(axes, min(100.0, ends[0] + apart), "found")
    canvas.write_beside(axes, ends[1] - apart, "fitted", canvas.BLUE)
    canvas.write_title(axes, "Bags that have not failed [%], by age [years]")
    left = wording.percent(float(curve.share[-1]))
    return Picture(
        name=f"life-{baghouse}-{day}.png",
        png=canvas.to_png(figure),
        alt=(
            f"Share of bags of {baghouse} that have not failed, by age: falls to {left} at "
            f"{wording.age(float(curve.age_d[-1]))}; the fitted curve stands at "
            f"{wording.percent(float(fitted[-1]) / 100)} at {wording.age(last)}."
        ),
        caption=(
            "Solid: Kaplan-Meier of the ages at which failures were found, with its 95 % interval "
            "in grey. Dashed: fitted Weibull distribution; it takes each failure to lie between "
            "two looks, so it may run ahead of the steps."
        ),
    )
