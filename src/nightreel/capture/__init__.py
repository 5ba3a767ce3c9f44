"""Room 3: the recorder: writers, journal, checkpoints, marks, recovery."""
