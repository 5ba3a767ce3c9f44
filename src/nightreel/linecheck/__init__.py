"""Room 2: prove the paths, by coded signals or one line at a time by ear."""
