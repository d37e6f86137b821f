"""Pressures of the open room, kPa absolute."""

HIGHEST_BAROMETER_KPA = 109.0
"""A little above the highest barometer reading on record at sea level (about 108.5 kPa, from memory)."""
SEA_LEVEL_KPA = 101.325
