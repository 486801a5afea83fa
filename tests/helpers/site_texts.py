"""Site files of invented plants, as text."""

from __future__ import annotations

FULL = """\
[plant]
name = "Ondravel Lime"
time_zone = "Europe/Vienna"

[folders]
inbox = "drop"
store = "data/rowcall.duckdb"

[rules.row_silent]
min_pulses = 30

[[baghouse]]
id = "BH1"
name = "Kiln filter"
compartments = 2
rows_per_compartment = [3, 2]
media = "aramid"
cloth_area = "10000 [ft_i]2"
design_flow = "60000 m3/h"
pulse_pressure = "85 [psi]"
firing_order = [1, 3, 2]
gas_moisture = "9 %"

[baghouse.cleaning]
mode = "on_demand"
start_dp = "1.2 kPa"
stop_dp = "900 Pa"
interval = "10 s"

[[baghouse.tag]]
role = "dp"
tag = "PDT-100"
unit = "mbar"
range = [0, 50]

[[baghouse.tag]]
role = "header_pressure"
tag = "PT-1{compartment}0"
unit = "[psi]"
sample = "thinned"

[[baghouse.tag]]
role = "row_solenoid"
tag = "YS-{compartment}{row:02d}"
unit = "1"
sample = "on change"
"""


SITE = """\
[plant]
name = "P"
time_zone = "UTC"
[folders]
store = "store.duckdb"
[[baghouse]]
id = "B"
name = "B"
compartments = 1
rows_per_compartment = 4
[baghouse.cleaning]
mode = "on_time"
"""
