"""The logbook: every night, frame, plan, picture, note and measured value, in one SQLite file."""
