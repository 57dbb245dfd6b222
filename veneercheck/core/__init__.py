"""The core: arrays in, named results out; no files, no clock, no prints."""
