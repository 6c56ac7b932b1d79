"""Focus, trailing, sky, saturation: keep a frame or not, and what to do next."""
