"""From the broker into the store, acknowledged only when durable."""
