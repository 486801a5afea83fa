"""Runs: the nightly job, a rerun and the demo, each the steps of the pipeline in order."""
