"""Export files on disk: found, unpacked, read, and seen to stay the same meanwhile."""
