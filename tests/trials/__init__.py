"""Labelled trials of the roll call: header-days with known answers, made by two simulators.

Each trial is a header with its rows over some hours: which row was fired when, which fault each row
carries, and the samples that a historian would have kept. `conditions` names what is tried,
`trial` makes one, `judging` runs it through the product, `score` counts right and wrong verdicts.
Room `air`: baghouses with several headers over days, for the rules on compressed air.
"""
