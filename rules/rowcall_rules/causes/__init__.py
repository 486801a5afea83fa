"""What can be behind findings: the table of causes, family by family.

Weights are natural logarithms of likelihood ratios. Those from trials are rounded from what
`tests/benchmarks/causes.py` prints; the others are chosen and say why.
"""

from __future__ import annotations

from rowcall.model import Family
from rowcall_rules.causes import (
    air_causes,
    cleaning_causes,
    dust_causes,
    gas_causes,
    row_causes,
    sensor_causes,
)

FAMILIES: tuple[Family, ...] = (
    *row_causes.FAMILIES,
    *air_causes.FAMILIES,
    *cleaning_causes.FAMILIES,
    *gas_causes.FAMILIES,
    *dust_causes.FAMILIES,
    *sensor_causes.FAMILIES,
)
