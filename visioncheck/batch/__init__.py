"""Many photos of several sleds: which is whose, measured on every core, each kept once."""
