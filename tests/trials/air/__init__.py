"""Labelled trials of the compressed air: a baghouse of 2-4 headers on one supply, several days.

`air_plan` draws a baghouse, its pulses and its supply, `air_faults` names what is planted. Physics
behind one interface (`air_day`) are `closed_form`, `orifice_feed` and `supply_net`, the last two on
the integrator `lanes`. `air_keeping` records as a historian does, `air_judging` runs the days
through the product, `air_score` counts.
"""
