"""Runs: the nightly job, a rerun and the demo, each a sentence over the steps of the road."""
