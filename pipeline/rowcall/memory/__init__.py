"""What is remembered from day to day: cases, their causes, what mended them.

Nothing of it is stored. The cases of a day are worked out from the answers of all judged days up to
it and from the work log, so that they are the same in whatever order days were judged.
"""
