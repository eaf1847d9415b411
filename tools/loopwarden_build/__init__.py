"""The build file: read, check, review, pack."""
