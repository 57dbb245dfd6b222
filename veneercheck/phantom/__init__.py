"""Bodies with known answers, and the sample bridge as files: what the check is tried on."""
