"""Calibrate, register, combine, flatten the sky, stretch, export; the recipe that repeats it."""
