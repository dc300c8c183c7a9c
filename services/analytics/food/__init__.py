"""How long food was too warm, and what that means."""
