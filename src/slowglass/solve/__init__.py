"""Which stars are these: matching to the catalogue, fitting the WCS, refusing when unsure."""
