"""One case from its files to its folder: the order, the run, what is written, how it ends."""
