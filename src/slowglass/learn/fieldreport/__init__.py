"""The account of a night or of a kit that a person would show to others."""
