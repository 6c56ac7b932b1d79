"""Calibrate, register, combine, flatten the sky, stretch, export; and the recipe that repeats it."""
