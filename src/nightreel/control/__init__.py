"""Long-running processes of our own and the small local protocol that commands them."""
