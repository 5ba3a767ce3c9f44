"""The bench of planted faults: shows with known troubles and healthy traps, and how many the review finds."""
