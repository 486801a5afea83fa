"""The commands of `rowcall`: each with its arguments, and what it does with them.

Everything heavy is imported by the command that needs it, so that `--help` answers at once.
"""
