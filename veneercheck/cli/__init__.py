"""The command line: it turns words into cases and their outcome into an exit code."""
