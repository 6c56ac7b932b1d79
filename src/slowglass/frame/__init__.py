"""One exposure: reading it, finding its stars, measuring their shapes and its background."""
