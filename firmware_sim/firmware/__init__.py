"""What a real unit runs."""
