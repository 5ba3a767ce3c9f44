"""Room 1: capacity, storage, allocation of ports, patch sheets. Pure computation."""
