"""How the tables of the records came to be, step by step."""
