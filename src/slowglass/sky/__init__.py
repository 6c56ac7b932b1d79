"""What is up there: catalogues, coordinates, sun and moon, darkness, extinction, sky brightness."""
