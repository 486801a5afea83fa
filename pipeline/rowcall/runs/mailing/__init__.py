"""What is mailed: reports, notices of a night, and runs that failed."""
