"""The surface divided: cut, finish line, beads, places in words, zones beyond a limit."""
