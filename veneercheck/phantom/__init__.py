"""Bodies with known answers, and the sample bridge: what the check is tried on."""
