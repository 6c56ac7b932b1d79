"""Signal and noise, sub-exposure length, and the forecast frame."""
