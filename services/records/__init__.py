"""What people own and say, and what the monitor concluded."""
