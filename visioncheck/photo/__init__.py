"""Photos: reading them, and their light."""
