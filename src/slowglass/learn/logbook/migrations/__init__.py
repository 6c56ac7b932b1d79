"""Steps from one edition of the logbook's tables to the next."""
