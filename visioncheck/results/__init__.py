"""What a measurement came to, as data: JSON of schema 2, and readings of schema 1 brought up to it."""
