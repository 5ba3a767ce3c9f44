"""Room 4: findings about a take, songs found, nights compared, the report."""
