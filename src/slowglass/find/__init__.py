"""From where the telescope points to where it should: hops and nudges."""
