"""Night sheets put together: the way, the forecast, the exposures and the hours of objects."""
