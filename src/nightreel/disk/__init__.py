"""The only code that creates, syncs, renames and measures storage, and its fault-injecting twin."""
