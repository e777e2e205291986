"""The calibration log: entries, photos, and whether a sled has stayed square."""
