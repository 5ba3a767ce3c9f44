"""Room 5: the return plan and the player."""
