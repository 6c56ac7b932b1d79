"""What the night taught: the logbook and corrections to the kit."""
