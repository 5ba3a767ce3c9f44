"""An invented tour: seeded shows with known truth, used by demo, docs and tests alike."""
