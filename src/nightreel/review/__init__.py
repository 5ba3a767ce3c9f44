"""Room 4: findings about a take, and the report."""
